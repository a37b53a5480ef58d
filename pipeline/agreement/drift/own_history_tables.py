"""What the charts against a tracker's own pitchers' history say, as rows of the tables `drift` and `setup`."""

import math
from collections.abc import Iterator, Mapping
from datetime import date
from typing import NamedTuple

import polars as pl

from pipeline.agreement.device_setup.misalignment import CROOKED_FROM, FRONT_EDGE_FT, RUBBER_FT, USUAL_EXTENSION_FT
from pipeline.agreement.drift.charts import LEAST_NIGHTS
from pipeline.agreement.drift.own_history import (
    CHARTED,
    POSITIONS,
    Level,
    Moved,
    Night,
    Season,
    Wander,
    shift_between,
    wander_of,
    watch_history,
)
from pipeline.agreement.drift.pair_drift import FALSE_ALARM_NIGHTS, MATTERS_FROM
from pipeline.agreement.wording import alarm_sentence, setup_sentence
from schemas.contract import conform
from schemas.drift import DRIFT, OWN_HISTORY
from schemas.setup import SETUP

# A chart of the tracker's own is kept where other trackers give the metric on less than this share of its nights.
PARTNERED = 0.5
# What moves with the turn: release against plate, the turn's and the shift's name.
_TURNS = (
    ("release_side_ft", "plate_side_ft", "aim_deg", "side_in"),
    ("release_height_ft", "plate_height_ft", "tilt_deg", "height_in"),
)
# The change is known already; its size must be clear from zero besides.
_CLEAR = 2.58
_NOTE = "from the nights since the change together; each pitcher against his own earlier nights, so as sure as pitchers are steady"


class OwnChart(NamedTuple):
    """A tracker's metric to be watched against its pitchers' own history."""

    season: Season
    wander: Wander


def without_partner(outings: pl.DataFrame, partner_days: Mapping[tuple[str, str], set[date]]) -> list[tuple[str, str]]:
    """The (tracker, metric) that are watched against own history, from facts as `outing_facts` gives them.

    `partner_days`: the days on which another tracker gave the metric of the same pitches.
    """
    alone = []
    for metric in (name for name in CHARTED if f"n.{name}" in outings.columns):
        read = outings.filter(pl.col(f"n.{metric}") > 0).group_by("tracker").agg(pl.col("baseball_day").unique())
        for tracker, days in read.iter_rows():
            shared = partner_days.get((tracker, metric), set())
            if len(days) >= LEAST_NIGHTS and len(shared.intersection(days)) < PARTNERED * len(days):
                alone.append((tracker, metric))
    return sorted(alone)


def own_charts(seasons: Mapping[tuple[str, str], Season], alone: list[tuple[str, str]]) -> list[OwnChart]:
    """The charts to keep of those that are `without_partner`: where enough pitchers came again."""
    wanders = {metric: wander_of(seasons, metric) for metric in sorted({metric for _, metric in alone})}
    return [OwnChart(seasons[key], wander) for key in alone if (wander := wanders[key[1]]) is not None]


def history_tables(
    charts: list[OwnChart],
    seasons: Mapping[tuple[str, str], Season],
    drift_of_others: pl.DataFrame,
    tolerances: Mapping[str, float],
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The rows of `drift` and of `setup`. With the charts of `drift_of_others` they share one false alarm in FALSE_ALARM_NIGHTS nights."""
    drift, setup = [DRIFT.empty()], [SETUP.empty()]
    others = drift_of_others.group_by("tracker_a", "tracker_b", "metric").len().filter(pl.col("len") >= LEAST_NIGHTS)
    change_p = 1 / (FALSE_ALARM_NIGHTS * max(others.height + len(charts), 1))
    for chart in charts:
        nights = watch_history(chart.season, chart.wander, change_p)
        least = MATTERS_FROM * tolerances[chart.season.metric]
        drift.append(_drift_rows(chart.season, nights, least))
        rows = list(_setup_rows(chart, nights, seasons))
        setup.append(pl.DataFrame(rows, schema=SETUP.polars_schema(), orient="row"))
    return pl.concat(drift), pl.concat(setup)


def _drift_rows(season: Season, nights: list[Night], least: float) -> pl.DataFrame:
    told = [(place, night) for place, night in enumerate(nights) if night.own.pitchers or night.moved]
    rows = [_drift_row(season, place, night, least) | {"latest": place == told[-1][0]} for place, night in told]
    if not rows:
        return DRIFT.empty()
    return conform(pl.from_dicts(rows, infer_schema_length=None), DRIFT).with_columns(
        pl.selectors.float().fill_nan(None)
    )


def _drift_row(season: Season, place: int, night: Night, least: float) -> dict[str, object]:
    row: dict[str, object] = {
        "tracker_a": OWN_HISTORY,
        "tracker_b": season.tracker,
        "metric": season.metric,
        "baseball_day": season.days[place],
        "n": int(season.pitches[place].sum()),
        "night_bias": night.own.mean,
        "se": night.own.se,
        "change_p": night.change_p,
        "usual_bias": 0.0,
        "level": night.level.mean,
        "alarm": night.moved is not None,
    }
    return row if night.moved is None else row | _alarm(season, place, night.level, night.moved, least)


def _alarm(season: Season, place: int, level: Level, moved: Moved, least: float) -> dict[str, object]:
    about = {
        "tracker_a": OWN_HISTORY,
        "tracker_b": season.tracker,
        "metric": season.metric,
        "baseball_day": season.days[place],
        "change_day": season.days[moved.start],
        "change_low": season.days[moved.earliest],
        "change_high": season.days[moved.latest],
        "size": level.mean,
        "nights_since": place + 1 - moved.start,
        "pitches_since": int(season.pitches[moved.start : place + 1].sum()),
        "matters": abs(level.mean) >= least,
        "mover": season.tracker if season.metric in POSITIONS else None,
        "mover_how": _how(season, level),
    }
    return about | {"sentence": alarm_sentence(about, {})}


def _how(season: Season, level: Level) -> str:
    together = f"no other tracker gives it on most nights; {level.pitchers} pitchers moved together against their own earlier nights"
    if season.metric in POSITIONS:
        return together
    return f"{together}, which cold, rest or a season's build-up can do as well: compare with another device before believing either"


def _setup_rows(
    chart: OwnChart, nights: list[Night], seasons: Mapping[tuple[str, str], Season]
) -> Iterator[tuple[object, ...]]:
    season = chart.season
    for release, plate, turn, shift in _TURNS:
        held = seasons.get((season.tracker, plate))
        wander = wander_of(seasons, plate)
        if season.metric != release or held is None or wander is None:
            continue
        stretches = {night.moved.start: place for place, night in enumerate(nights) if night.moved}
        off = {day for start, last in stretches.items() for day in season.days[start : last + 1]}
        for start, last in stretches.items():
            before = {day for day in season.days[:start] if day not in off}
            for place in range(start, last + 1):
                after = set(season.days[start : place + 1])
                moved = shift_between(season, chart.wander, before, after)
                at_plate = shift_between(held, wander, before, after)
                if moved.pitchers and at_plate.pitchers:
                    about = (season.days[place], int(season.pitches[start : place + 1].sum()), place + 1 - start)
                    yield from _turn_rows(season.tracker, about, moved, at_plate, (turn, shift), wander.df)


def _turn_rows(
    tracker: str,
    about: tuple[date, int, int],
    release: Level,
    plate: Level,
    names: tuple[str, str],
    df: float,
) -> Iterator[tuple[object, ...]]:
    """The turn that moves release and plate as they moved, and the shift that is left at the plate's back tip."""
    reach = RUBBER_FT - USUAL_EXTENSION_FT - FRONT_EDGE_FT
    turn, turn_se = (release.mean - plate.mean) / reach, math.hypot(release.se, plate.se) / reach
    at_tip = FRONT_EDGE_FT / reach
    shift = plate.mean - turn * FRONT_EDGE_FT
    shift_se = math.hypot((1 + at_tip) * plate.se, at_tip * release.se)
    yield _row(tracker, about, names[0], math.degrees(turn), math.degrees(turn_se), df)
    yield _row(tracker, about, names[1], 12 * shift, 12 * shift_se, df)


def _row(
    tracker: str, about: tuple[date, int, int], quantity: str, value: float, se: float, df: float
) -> tuple[object, ...]:
    from scipy.special import stdtrit

    day, n, nights = about
    half = float(stdtrit(df, 0.975)) * se
    at_rubber = math.tan(math.radians(value)) * RUBBER_FT * 12 if quantity.endswith("_deg") else None
    crooked = abs(value) >= CROOKED_FROM[quantity] and abs(value) > _CLEAR * se
    row = {
        "tracker_a": OWN_HISTORY, "tracker_b": tracker, "baseball_day": day, "quantity": quantity, "value": value, "low": value - half,
        "high": value + half, "se": se, "n": n, "nights": nights, "at_rubber_in": at_rubber, "crooked": crooked, "note": _NOTE,
    }  # fmt: skip
    return (*row.values(), setup_sentence(row, {}) if crooked else None)
