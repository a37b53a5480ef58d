"""The agreement page: can this number be believed, which device is to be believed, since when, and what to do. One HTML file."""

from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import jinja2
import polars as pl

from pipeline.agreement.bias.selection import LEAST_PAIRS
from pipeline.agreement.device_setup.proposals import crooked_now
from pipeline.agreement.drift.pair_charts import FALSE_ALARM_NIGHTS
from pipeline.agreement.wording import (
    UNLIKE,
    alarm_sentence,
    amount_words,
    direction_words,
    fine_number_words,
    metric_words,
    number_words,
    setup_words,
    unit_words,
)
from pipeline.reports.agreement_figures import TURN_DRAWN_TIMES, control_chart, difference_plot, frame_sketch
from pipeline.reports.agreement_todo import agreement_todo, by_rank
from pipeline.words import day_words
from schemas.drift import OWN_HISTORY
from schemas.metrics import METRICS

# Lines that are drawn, the ones that need a look first: a page of all lines of many trackers would take minutes to print.
LINES_DRAWN = 12
BLOCKS_SHOWN = 12
# Times past on which a device stood crooked: the latest so many are told on top.
PAST_TOLD = 3
# A pair agrees while at most this share of its pitches differs beyond the tolerance (common practice, no source).
WATCH_BEYOND = 0.10
# A crooked frame moves these: their bias then needs no line of its own.
PLACES = (
    "release_side_ft",
    "release_height_ft",
    "extension_ft",
    "plate_side_ft",
    "plate_height_ft",
    "vertical_approach_deg",
    "horizontal_approach_deg",
)


class Verdict(NamedTuple):
    """What a line means: a word, a shape (readable without colour), and its place in the order of urgency."""

    word: str
    shape: str
    urgency: int


ACT = Verdict("act", "■", 0)
WATCH = Verdict("watch", "▲", 1)
OTHER = Verdict("not comparable", "◇", 2)
FEW = Verdict("too little", "○", 3)
FINE = Verdict("agrees", "●", 4)


class Line(NamedTuple):
    """One pair and metric: the row of table agreement, the verdict and why, the live alarm if any, the slices and the pictures."""

    anchor: str
    row: dict[str, Any]
    verdict: Verdict
    why: str
    alarm: str | None
    before: dict[str, Any] | None
    slices: list[dict[str, Any]]
    plot: str | None
    chart: str | None


class OwnLine(NamedTuple):
    """A tracker and metric against its own pitchers' earlier nights: verdict, nights, what is to be said, and the picture where it ever moved."""

    tracker: str
    metric: str
    verdict: Verdict
    nights: int
    words: str
    chart: str | None


class Frame(NamedTuple):
    """One pair's setup: sentences, the crooked ones first, and the sketch."""

    heading: str
    sentences: list[tuple[bool, str]]
    sketch: str
    names: tuple[str, str]


class Confusion(NamedTuple):
    """One pair's calls of one label: counts by row (a's label) and column (b's label)."""

    heading: str
    kappa: dict[str, Any]
    labels: list[str]
    counts: list[tuple[str, list[int]]]
    look_at: list[tuple[str, str, int, str]]


# the published tables that the page is made from
PAGE_TABLES = (
    "agreement",
    "precision",
    "drift",
    "setup",
    "label_agreement",
    "label_confusion",
    "selection",
    "proposed_corrections",
    "sightings",
)


def write_agreement_page(tables: Mapping[str, pl.DataFrame], path: Path, names: Mapping[str, str]) -> None:
    """Write the page at `path` from published tables; `names` gives each tracker's name, where it has one.

    Needs agreement, precision, drift, setup, label_agreement, label_confusion, selection, proposed_corrections, and sightings (with
    pitch_id) for the pictures of differences.
    """
    called = {tracker: tracker for tracker in tables["sightings"]["tracker"].unique()}
    called |= {OWN_HISTORY: "its own pitchers' earlier nights", **names}
    lines = list(_lines(tables, called))
    todo = _todo(tables, lines, called)
    selection, unbounded = tables["selection"], pl.col("n_by_clock") < LEAST_PAIRS
    page = _template().render(
        first=_first_sentence(lines, todo),
        todo=todo,
        lines=lines,
        frames=list(_frames(by_rank(tables["setup"]), tables["drift"], called)),
        own_lines=list(_own_lines(by_rank(tables["drift"]), called)),
        confusions=list(_confusions(tables, called)),
        own_errors=_own_errors(tables["precision"]),
        untold=_untold(tables["precision"]),
        trackers=sorted(tables["precision"]["tracker"].unique()),
        selection=by_rank(selection.filter(pl.col("kept_apart") > 0)).to_dicts(),
        unflattered=selection.filter(~unbounded, kept_apart=0).height,
        unbounded=selection.filter(unbounded, kept_apart=0).height,
        blocks=tables["proposed_corrections"].head(BLOCKS_SHOWN).to_dicts(),
        more_blocks=max(tables["proposed_corrections"].height - BLOCKS_SHOWN, 0),
        verdicts=(ACT, WATCH, FINE, FEW, OTHER),
        turn_drawn_times=TURN_DRAWN_TIMES,
        drawn=sum(line.plot is not None for line in lines),
        false_alarm_nights=FALSE_ALARM_NIGHTS,
        names=called,
        amount=amount_words,
        metric=metric_words,
        unit=unit_words,
        signed=_signed,
    )
    path.write_text(page, encoding="utf-8")


def verdict_of(row: dict[str, Any], alarm: dict[str, Any] | None) -> tuple[Verdict, str]:
    """What a row of table agreement means, and why; `alarm` is the live alarm's row of table drift, if any."""
    tolerance, beyond = row["tolerance"], row["share_beyond"]
    if alarm is not None and alarm["matters"]:
        moved = f"{_signed(row['metric'], alarm['size'])} {unit_words(row['metric'])}".strip()
        return ACT, f"moved by {moved} since {day_words(alarm['change_day'])}"
    if not row["same_quantity"]:
        return OTHER, "two quantities by definition"
    if abs(row["bias"] or 0.0) > UNLIKE * tolerance:
        far = f"{_signed(row['metric'], row['bias'])} {unit_words(row['metric'])}".strip()
        return (
            ACT,
            f"{far} on average is no matter of precision: see unit, sign and plane of the column in both profiles",
        )
    if row["small_n"]:
        return FEW, row["note"]
    if row["bias_low"] > tolerance or row["bias_high"] < -tolerance:
        return ACT, f"the bias alone is beyond the tolerance of {amount_words(row['metric'], tolerance)}"
    if beyond > WATCH_BEYOND:
        return WATCH, f"{beyond:.0%} of pitches differ by more than {amount_words(row['metric'], tolerance)}"
    if alarm is not None:
        return WATCH, f"moved since {day_words(alarm['change_day'])}, but by little"
    return FINE, f"{1 - beyond:.0%} of pitches within {amount_words(row['metric'], tolerance)}"


def _lines(tables: Mapping[str, pl.DataFrame], names: Mapping[str, str]) -> Iterator[Line]:
    whole = tables["agreement"].filter(pl.col("slice_by") == "all")
    alarms = {_key(row): row for row in tables["drift"].filter("alarm", "latest").iter_rows(named=True)}
    before = {
        _key(row): row
        for row in tables["agreement"].filter(pl.col("slice_by") == "before_corrections").iter_rows(named=True)
    }
    rows = by_rank(whole).to_dicts()
    judged = {_key(row): verdict_of(row, alarms.get(_key(row))) for row in rows}
    urgent = sorted(judged, key=lambda key: (judged[key][0].urgency, _PLACES[key[2]], key))[:LINES_DRAWN]
    for row in rows:
        key = _key(row)
        alarm = alarms.get(key)
        plot, chart = _pictures(tables, row) if key in urgent else (None, None)
        said = alarm_sentence(alarm, dict(names)) if alarm else None
        yield Line(
            "-".join(key), row, *judged[key], said, before.get(key), _slices(tables["agreement"], row), plot, chart
        )


def _key(row: Mapping[str, Any]) -> tuple[str, str, str]:
    return row["tracker_a"], row["tracker_b"], row["metric"]


def _of(table: pl.DataFrame, key: tuple[str, str, str]) -> pl.DataFrame:
    return table.filter(pl.col("tracker_a") == key[0], pl.col("tracker_b") == key[1], pl.col("metric") == key[2])


def _slices(agreement: pl.DataFrame, row: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Where there are several of a kind; of their notes what the whole line's note does not say already."""
    kinds = pl.col("slice_by").is_in(["pitch_type", "month", "station"])
    parts = _of(agreement, _key(row)).filter(kinds, pl.col("slice").n_unique().over("slice_by") > 1)
    said = {*row["note"].split("; ")}
    return [
        part | {"note": "; ".join(note for note in part["note"].split("; ") if note not in said)}
        for part in parts.sort("slice_by", "slice").iter_rows(named=True)
    ]


def _pictures(tables: Mapping[str, pl.DataFrame], row: dict[str, Any]) -> tuple[str, str]:
    key = _key(row)
    differences = _differences(tables["sightings"], key)
    return difference_plot(differences, row), control_chart(_of(tables["drift"], key).sort("baseball_day"))


def _differences(sightings: pl.DataFrame, key: tuple[str, str, str]) -> pl.DataFrame:
    """Mean of both readings and b - a, of each pitch that both saw; angles brought near each other."""
    metric = key[2]
    a, b = (
        sightings.filter(pl.col("tracker") == tracker).select("pitch_id", pl.col(metric)).drop_nulls()
        for tracker in key[:2]
    )
    both = a.join(b, on="pitch_id", suffix="_b").sort("pitch_id")
    d = pl.col(f"{metric}_b") - pl.col(metric)
    d = 180 - (180 - d) % 360 if METRICS[metric].circular else d
    return both.select(mean=pl.col(metric) + d / 2, d=d)


def _own_lines(drift: pl.DataFrame, names: Mapping[str, str]) -> Iterator[OwnLine]:
    own = drift.filter(tracker_a=OWN_HISTORY)
    for (tracker, metric), rows in own.group_by("tracker_b", "metric", maintain_order=True):
        nights = rows.sort("baseball_day")
        alarmed = nights.filter("alarm")
        verdict, words = _own_verdict(nights, alarmed, names)
        chart = control_chart(nights) if alarmed.height else None
        yield OwnLine(names[str(tracker)], str(metric), verdict, nights.height, words, chart)


def _own_verdict(nights: pl.DataFrame, alarmed: pl.DataFrame, names: Mapping[str, str]) -> tuple[Verdict, str]:
    if alarmed.is_empty():
        return FINE, "as usual"
    last = alarmed.row(-1, named=True)
    if last["latest"]:
        return (ACT if last["matters"] else WATCH), alarm_sentence(last, dict(names))
    way = f"{amount_words(last['metric'], last['size'])} {direction_words(last['metric'], last['size'])}"
    when = f"{day_words(last['change_day'])} to {day_words(last['baseball_day'])}"
    return WATCH, f"was off from {when}, {way} what its pitchers showed before; as usual again ({last['mover_how']})"


def _frames(setup: pl.DataFrame, drift: pl.DataFrame, names: Mapping[str, str]) -> Iterator[Frame]:
    still = {(row["tracker_b"], row["quantity"]) for row in crooked_now(setup, drift).iter_rows(named=True)}
    for (a, b), rows in setup.group_by("tracker_a", "tracker_b", maintain_order=True):
        pair = (names[str(a)], names[str(b)])
        last = rows.filter(pl.col("baseball_day") == pl.col("baseball_day").max())
        whole = rows.filter(pl.col("baseball_day").is_null())
        over = {row["quantity"] for row in last.iter_rows(named=True) if (b, row["quantity"]) not in still}
        told = [
            (
                row["crooked"],
                _when(row) + setup_words(row, past=row["baseball_day"] is not None and row["quantity"] in over),
            )
            for row in pl.concat([last.filter("crooked"), whole]).iter_rows(named=True)
        ]
        found = {row["quantity"]: row for row in (last if last.height else whole).iter_rows(named=True)}
        day = last["baseball_day"][0] if last.height else None
        when = f", {'up to ' if a == OWN_HISTORY else ''}{day.day} {day:%B %Y}" if day else ""
        yield Frame(f"{pair[1]} against {pair[0]}{when}", sorted(told, reverse=True), frame_sketch(found), pair)


def _when(row: dict[str, Any]) -> str:
    if row["tracker_a"] == OWN_HISTORY:
        return f"over {row['nights']} night{'s' * (row['nights'] != 1)}: "
    return "" if row["baseball_day"] is None else "that night: "


def _confusions(tables: Mapping[str, pl.DataFrame], names: Mapping[str, str]) -> Iterator[Confusion]:
    cells = tables["label_confusion"]
    for kappa in tables["label_agreement"].iter_rows(named=True):
        a, b, field = kappa["tracker_a"], kappa["tracker_b"], kappa["field"]
        of_pair = cells.filter(pl.col("tracker_a") == a, pl.col("tracker_b") == b, pl.col("field") == field)
        labels = sorted({*of_pair["label_a"], *of_pair["label_b"]})
        held = {(row["label_a"], row["label_b"]): row["pitches"] for row in of_pair.iter_rows(named=True)}
        counts = [(label, [held.get((label, other), 0) for other in labels]) for label in labels]
        unlike = of_pair.filter(pl.col("look_at").is_not_null()).sort("pitches", descending=True).head(5)
        look_at = unlike.select("label_a", "label_b", "pitches", "look_at").rows()
        yield Confusion(
            f"{field.replace('_', ' ').capitalize()}: {names[a]} (rows) and {names[b]} (columns)",
            kappa,
            labels,
            counts,
            look_at,
        )


def _own_errors(precision: pl.DataFrame) -> list[tuple[str, list[str]]]:
    """One line per metric of which something is known, one cell per tracker: its own error with interval, or what is known instead."""
    trackers = sorted(precision["tracker"].unique())
    held = {(row["metric"], row["tracker"]): row for row in precision.iter_rows(named=True)}
    known = {*precision.drop_nulls("high")["metric"]}
    metrics = [metric for metric in METRICS if metric in known]
    return [(metric, [_own_error(held.get((metric, tracker))) for tracker in trackers]) for metric in metrics]


def _untold(precision: pl.DataFrame) -> list[str]:
    """The metrics of which no tracker's own error can be told."""
    known = {*precision.drop_nulls("high")["metric"]}
    held = {*precision["metric"]} - known
    return [metric_words(metric) for metric in METRICS if metric in held]


def _own_error(row: dict[str, Any] | None) -> str:
    if row is None:
        return "–"
    if row["high"] is None:
        return "can't be told"
    sd, low, high = (fine_number_words(row["metric"], row[name] or 0.0) for name in ("own_error_sd", "low", "high"))
    return f"under {high}" if row["own_error_sd"] is None else f"{sd} ({low} to {high})"


def _todo(tables: Mapping[str, pl.DataFrame], lines: list[Line], names: Mapping[str, str]) -> list[str]:
    """What a person should do or look at: each drift once, each crooked setup once, biases that neither explains, nights left to correct."""
    told = agreement_todo(tables["setup"], tables["drift"], names)
    bent = {*crooked_now(by_rank(tables["setup"]), tables["drift"])["tracker_b"]}
    biased = [
        f"{metric_words(line.row['metric'])} of {names[line.row['tracker_b']]} against {names[line.row['tracker_a']]}: {line.why}"
        for line in lines
        if line.verdict is ACT
        and not line.alarm
        and not (line.row["metric"] in PLACES and bent & {line.row["tracker_a"], line.row["tracker_b"]})
    ]
    now, left = ([todo.sentence for todo in told if (todo.kind == "correction") is past] for past in (False, True))
    more = [f"{len(left) - PAST_TOLD} more such times, earlier: table proposed_corrections"] if len(left) > PAST_TOLD else []  # fmt: skip
    return [*now, *biased, *left[:PAST_TOLD], *more]


def _first_sentence(lines: list[Line], todo: list[str]) -> str:
    if not lines and not todo:
        return "No two trackers have seen the same pitch yet: there is nothing to compare."
    if not todo:
        watched = sum(line.verdict is WATCH for line in lines)
        rest = (
            f" {watched} of {len(lines)} lines are worth watching."
            if watched
            else f" All {len(lines)} lines are within tolerance or say why not."
        )
        return "Nothing needs doing." + rest
    if len(todo) == 1:
        return f"One thing needs doing: {todo[0]}."
    return f"{len(todo)} things need doing. First: {todo[0]}."


_PLACES = {metric: place for place, metric in enumerate(METRICS)}


def _signed(metric: str, amount: float | None) -> str:
    return "–" if amount is None else number_words(metric, amount, signed=True)


@cache
def _template() -> jinja2.Template:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    return environment.get_template("agreement_page.html.jinja")
