"""The agreement page, one HTML file.

Do the trackers agree, which one moved and since when, and what to do.
"""

from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import jinja2
import polars as pl

from pipeline.agreement.bias.selection import LEAST_PAIRS, most_kept_apart
from pipeline.agreement.device_setup.proposals import crooked_now
from pipeline.agreement.drift.charts import LEAST_NIGHTS
from pipeline.agreement.drift.pair_charts import FALSE_ALARM_NIGHTS
from pipeline.agreement.wording import (
    amount_words,
    fine_number_words,
    metric_words,
    number_words,
    setup_words,
    unit_words,
)
from pipeline.reports.agreement_figures import TURN_DRAWN_TIMES, control_chart, difference_plot, frame_sketch
from pipeline.reports.agreement_todo import agreement_todo, sort_by_rank_order
from pipeline.reports.agreement_verdicts import (
    ACT,
    OTHER,
    VERDICTS,
    WATCH,
    Verdict,
    own_history_verdict,
    pair_verdict,
)
from pipeline.words import capitalize, day_words, enumerate_words, pluralize
from schemas.drift import OWN_HISTORY
from schemas.metrics import METRICS

# Comparisons that are drawn, the most urgent first: a page with all of them would take minutes to print.
LINES_DRAWN = 12
# Correction blocks shown; the others are in table proposed_corrections.
BLOCKS_SHOWN = 12
# Past times on which a device was crooked: this many of the latest are listed on top.
PAST_SHOWN = 3
# Pairs of labels that differ, listed with pitch ids below a confusion table.
EXAMPLES_SHOWN = 5
# A crooked frame moves these, so their bias then needs no line of its own.
MOVED_BY_FRAME = (
    "release_side_ft",
    "release_height_ft",
    "extension_ft",
    "plate_side_ft",
    "plate_height_ft",
    "vertical_approach_deg",
    "horizontal_approach_deg",
)
# The published tables that the page is made from.
PAGE_TABLES = (
    "agreement",
    "convention_mismatches",
    "precision",
    "drift",
    "setup",
    "label_agreement",
    "label_confusion",
    "selection",
    "proposed_corrections",
    "sightings",
)

_METRIC_ORDER = {metric: index for index, metric in enumerate(METRICS)}


class Line(NamedTuple):
    """One pair and metric: row of table agreement, verdict, slices, and pictures.

    `reported`: a drift or a mismatch of conventions is on the list of things to do.
    """

    anchor: str
    row: dict[str, Any]
    verdict: Verdict
    why: str
    reported: bool
    before: dict[str, Any] | None
    slices: list[dict[str, Any]]
    plot: str | None
    chart: str | None

    @property
    def detail(self) -> str:
        """The reason and the row's note, each once."""
        note = self.row["note"]
        if self.verdict is OTHER:
            return f"{capitalize(note)}."
        words = self.why if not note or note in self.why else f"{self.why}; {note}"
        return f"{capitalize(words)}."


class OwnLine(NamedTuple):
    """A tracker's metric against its own pitchers' earlier nights.

    With a chart if there was ever an alarm.
    """

    tracker: str
    metric: str
    verdict: Verdict
    nights: int
    words: str
    chart: str | None


class Frame(NamedTuple):
    """One pair's setup in sentences, and its sketch.

    `last_night` has what was crooked then, `all_nights` each quantity and whether it is crooked.
    """

    heading: str
    last_night: list[str]
    all_nights: list[tuple[bool, str]]
    sketch: str
    names: tuple[str, str]


class Confusion(NamedTuple):
    """One pair's labels: counts, and pitches to look at.

    Rows are a's label, columns b's.
    """

    heading: str
    kappa: dict[str, Any]
    labels: list[str]
    counts: list[tuple[str, list[int]]]
    example_pitch_ids: list[tuple[str, str, int, str]]


def write_agreement_page(tables: Mapping[str, pl.DataFrame], path: Path, names: Mapping[str, str]) -> None:
    """Write the page to `path` from the published PAGE_TABLES.

    `names` gives the trackers' names where they have one. `sightings` must have `pitch_id`, for the pictures of differences.
    """
    shown_names = {tracker: tracker for tracker in tables["sightings"]["tracker"].unique()}
    shown_names |= {OWN_HISTORY: "its own pitchers' earlier nights", **names}
    tables = {**tables, "setup": sort_by_rank_order(tables["setup"]), "drift": sort_by_rank_order(tables["drift"])}
    lines = list(_lines(tables))
    todo = _todo(tables, lines, shown_names)
    drawn = [line for line in lines if line.plot]
    page = _template().render(
        headline=_headline(lines, todo),
        todo=todo,
        lines=lines,
        drawn=drawn,
        methods=enumerate_words(sorted({line.row["interval_method"] for line in drawn})),
        frames=list(_frames(tables["setup"], tables["drift"], shown_names)),
        own_lines=list(_own_lines(tables["drift"], shown_names)),
        confusions=list(_confusions(tables, shown_names)),
        **_own_errors(tables["precision"]),
        **_selection(tables["selection"]),
        blocks=tables["proposed_corrections"].head(BLOCKS_SHOWN).to_dicts(),
        more_blocks=max(tables["proposed_corrections"].height - BLOCKS_SHOWN, 0),
        verdicts=VERDICTS,
        turn_drawn_times=TURN_DRAWN_TIMES,
        false_alarm_nights=FALSE_ALARM_NIGHTS,
        least_nights=LEAST_NIGHTS,
        names=shown_names,
        amount=amount_words,
        metric=metric_words,
        unit=unit_words,
        signed=_signed,
    )
    path.write_text(page, encoding="utf-8")


def _lines(tables: Mapping[str, pl.DataFrame]) -> Iterator[Line]:
    agreement = tables["agreement"]
    rows = sort_by_rank_order(agreement.filter(slice_by="all")).to_dicts()
    alarms = {_key(row): row for row in tables["drift"].filter("alarm", "latest").iter_rows(named=True)}
    before = {_key(row): row for row in agreement.filter(slice_by="before_corrections").iter_rows(named=True)}
    mismatches = {_key(row): row for row in tables["convention_mismatches"].sort("from_day").iter_rows(named=True)}
    judged = {_key(row): pair_verdict(row, alarms.get(_key(row)), mismatches.get(_key(row))) for row in rows}
    by_urgency = sorted(judged, key=lambda key: (judged[key][0].urgency, _METRIC_ORDER[key[2]], key))
    for row in rows:
        key = _key(row)
        plot, chart = _pictures(tables, row) if key in by_urgency[:LINES_DRAWN] else (None, None)
        slices = _slices(agreement, row)
        yield Line(
            "-".join(key), row, *judged[key], key in alarms or key in mismatches, before.get(key), slices, plot, chart
        )


def _key(row: Mapping[str, Any]) -> tuple[str, str, str]:
    return row["tracker_a"], row["tracker_b"], row["metric"]


def _rows_with_key(table: pl.DataFrame, key: tuple[str, str, str]) -> pl.DataFrame:
    return table.filter(pl.col("tracker_a") == key[0], pl.col("tracker_b") == key[1], pl.col("metric") == key[2])


def _slices(agreement: pl.DataFrame, row: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the slices where there are several of a kind.

    Their notes are those that the row itself does not have.
    """
    sliced = pl.col("slice_by").is_in(["pitch_type", "month", "station"])
    parts = _rows_with_key(agreement, _key(row)).filter(sliced, pl.col("slice").n_unique().over("slice_by") > 1)
    row_notes = {*row["note"].split("; ")}
    return [
        part | {"note": "; ".join(note for note in part["note"].split("; ") if note not in row_notes)}
        for part in parts.sort("slice_by", "slice").iter_rows(named=True)
    ]


def _pictures(tables: Mapping[str, pl.DataFrame], row: dict[str, Any]) -> tuple[str, str | None]:
    """Return the plot of differences and the control chart, which needs a night read alike."""
    key = _key(row)
    differences = _differences(tables["sightings"], key)
    nights = _rows_with_key(tables["drift"], key).sort("baseball_day")
    return difference_plot(differences, row), control_chart(nights) if nights.height else None


def _differences(sightings: pl.DataFrame, key: tuple[str, str, str]) -> pl.DataFrame:
    """Return mean of both readings and b - a of each pitch that both saw.

    Angles wrapped.
    """
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
        alarmed = nights.filter("alarm").to_dicts()
        verdict, words = own_history_verdict(alarmed[-1] if alarmed else None)
        chart = control_chart(nights) if alarmed else None
        yield OwnLine(names[str(tracker)], str(metric), verdict, nights.height, words, chart)


def _frames(setup: pl.DataFrame, drift: pl.DataFrame, names: Mapping[str, str]) -> Iterator[Frame]:
    still = {(row["tracker_b"], row["quantity"]) for row in crooked_now(setup, drift).iter_rows(named=True)}
    for (a, b), rows in setup.group_by("tracker_a", "tracker_b", maintain_order=True):
        pair = (names[str(a)], names[str(b)])
        last = rows.filter(pl.col("baseball_day") == pl.col("baseball_day").max())
        overall = rows.filter(pl.col("baseball_day").is_null())
        last_night = [
            _night_sentence(row, past=(b, row["quantity"]) not in still)
            for row in last.filter("crooked").iter_rows(named=True)
        ]
        all_nights = [
            (row["crooked"], f"{capitalize(setup_words(row))}.")
            for row in overall.sort("crooked", descending=True, maintain_order=True).iter_rows(named=True)
        ]
        by_quantity = {row["quantity"]: row for row in (last if last.height else overall).iter_rows(named=True)}
        day = f", {'to ' if a == OWN_HISTORY else ''}{day_words(last['baseball_day'][0])}" if last.height else ""
        sketch = frame_sketch(by_quantity)
        yield Frame(f"{pair[1]} against {pair[0]}{day}", last_night, all_nights, sketch, pair)


def _night_sentence(row: Mapping[str, Any], *, past: bool) -> str:
    """Return a night's row of table `setup` in words; `past`: it is over."""
    when = f"Over {pluralize(row['nights'], 'night')}" if row["tracker_a"] == OWN_HISTORY else "That night"
    return f"{when}: {setup_words(row, past=past)}."


def _confusions(tables: Mapping[str, pl.DataFrame], names: Mapping[str, str]) -> Iterator[Confusion]:
    cells = tables["label_confusion"]
    for kappa in tables["label_agreement"].iter_rows(named=True):
        a, b, field = kappa["tracker_a"], kappa["tracker_b"], kappa["field"]
        of_pair = cells.filter(pl.col("tracker_a") == a, pl.col("tracker_b") == b, pl.col("field") == field)
        labels = sorted({*of_pair["label_a"], *of_pair["label_b"]})
        pitches = {(row["label_a"], row["label_b"]): row["pitches"] for row in of_pair.iter_rows(named=True)}
        counts = [(label, [pitches.get((label, other), 0) for other in labels]) for label in labels]
        differing = of_pair.filter(pl.col("example_pitch_ids").is_not_null()).sort("pitches", descending=True)
        example_pitch_ids = (
            differing.head(EXAMPLES_SHOWN).select("label_a", "label_b", "pitches", "example_pitch_ids").rows()
        )
        heading = f"{field.replace('_', ' ').capitalize()}: {names[a]} (rows) and {names[b]} (columns)"
        yield Confusion(heading, kappa, labels, counts, example_pitch_ids)


def _own_errors(precision: pl.DataFrame) -> dict[str, Any]:
    """Return the table of own errors.

    One line per metric with an estimate, one cell per tracker; and the other metrics.
    """
    trackers = sorted(precision["tracker"].unique())
    rows = {(row["metric"], row["tracker"]): row for row in precision.iter_rows(named=True)}
    estimated = {*precision.drop_nulls("high")["metric"]}
    unknown = {*precision["metric"]} - estimated
    return {
        "trackers": trackers,
        "own_errors": [
            (metric, [_own_error(rows.get((metric, tracker))) for tracker in trackers])
            for metric in METRICS
            if metric in estimated
        ],
        "unknown_errors": [metric_words(metric) for metric in METRICS if metric in unknown],
    }


def _own_error(row: dict[str, Any] | None) -> str:
    if row is None:
        return "–"
    if row["high"] is None:
        return "unknown"
    sd, low, high = (fine_number_words(row["metric"], row[name] or 0.0) for name in ("own_error_sd", "low", "high"))
    return f"under {high}" if row["own_error_sd"] is None else f"{sd} ({low}-{high})"


def _selection(selection: pl.DataFrame) -> dict[str, Any]:
    """Return the comparisons with pairs kept apart, and the numbers of the others."""
    no_bound = pl.col("n_by_clock") < LEAST_PAIRS
    unaffected = selection.filter(~no_bound, kept_apart=0)["n_by_clock"]
    return {
        "selection": sort_by_rank_order(selection.filter(pl.col("kept_apart") > 0)).to_dicts(),
        "unaffected": len(unaffected),
        "most_unseen": most_kept_apart(min(unaffected, default=1)),
        "without_bound": selection.filter(no_bound, kept_apart=0).height,
    }


def _todo(tables: Mapping[str, pl.DataFrame], lines: list[Line], names: Mapping[str, str]) -> list[str]:
    """Return what a person should do.

    Mismatched conventions, live drifts, crooked setups, unexplained biases, then past nights to correct.
    """
    todo = agreement_todo(tables["convention_mismatches"], tables["setup"], tables["drift"], names)
    crooked = {*crooked_now(tables["setup"], tables["drift"])["tracker_b"]}
    biased = [
        f"{capitalize(metric_words(line.row['metric']))} of {names[line.row['tracker_b']]} against {names[line.row['tracker_a']]}: {line.why}."
        for line in lines
        if line.verdict is ACT
        and not line.reported
        and not (line.row["metric"] in MOVED_BY_FRAME and crooked & {line.row["tracker_a"], line.row["tracker_b"]})
    ]
    unlike = [f"{item.sentence} {item.remedy}" for item in todo if item.kind == "unlike"]
    now = [item.sentence for item in todo if item.kind in ("drift", "setup")]
    past = [item.sentence for item in todo if item.kind == "correction"]
    shown = [*unlike, *now, *biased, *past[:PAST_SHOWN]]
    if len(past) > PAST_SHOWN:
        shown.append(f"{pluralize(len(past) - PAST_SHOWN, 'earlier time')} to correct: see table proposed_corrections.")
    return shown


def _headline(lines: list[Line], todo: list[str]) -> str:
    if todo:
        return f"{pluralize(len(todo), 'thing needs', 'things need')} your attention."
    if not lines:
        return "There is nothing to compare: no two trackers have seen the same pitch yet."
    watched = sum(line.verdict is WATCH for line in lines)
    rest = (
        f"{watched} of {len(lines)} comparisons are worth watching."
        if watched
        else "Every comparison is within tolerance or says why not."
    )
    return f"Nothing needs your attention. {rest}"


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
