"""Runs of pitches that carry a stale or wrong pitcher label, with the label that another tracker has and all the evidence supports.

A label is evidence, not truth: `spellings` first takes out what is only a matter of names, then `arms` weighs all labels and readings
of a station-day and says whose throw each pitch was. A run is proposed where that is not the arm of the label.
"""

import math
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.matching.data.arrays import Bools, Floats, Ints, medians
from pipeline.matching.data.records import LABELS, METRIC_NAMES, Records, pitcher_words
from pipeline.matching.data.streams import Stream
from pipeline.matching.pitches.grouping import Groups
from pipeline.matching.stale_labels.pitcher_hmm import Day, Whose, support, whose_pitches
from pipeline.matching.stale_labels.spellings import Spelling, one_spelling
from pipeline.settings.people import PROVISIONAL

LABEL_RUNS = {
    **dict.fromkeys(("tracker", "file_id", "label", "first_sighting_id", "last_sighting_id"), pl.String),
    "pitches": pl.UInt32,
    **dict.fromkeys(("sighting_ids", "proposed_label", "proposed_player_id"), pl.String),
    "probability": pl.Float64,
}
_PITCHER, _PITCH_TYPE = list(LABELS).index("pitcher"), list(LABELS).index("pitch_type")
# what tells arms apart whatever they throw
_RELEASE = ("release_height_ft", "release_side_ft", "extension_ft")
# where hardly any pitch has it: readings about the usual ones of their pitch type, at half their say, as they largely repeat one another
_FLIGHT = (
    *("release_speed_mph", "spin_rate_rpm", "spin_efficiency"),
    *("induced_vertical_break_in", "horizontal_break_in"),
)
_LEAST_RELEASE, _FLIGHT_SAYS = 0.3, 0.5
# what speaks for a proposal must do so by so many nats: somebody is asked about each
_LEAST_SUPPORT = 0.5
# log odds of a proposal that everything speaks for, and the support at which 63 % of that are reached, where two trackers were on the
# day, and more: errors go together over a whole stint, so that no evidence from it is ever as sure as it seems, and of two labels that
# differ no third says which is right. Fitted to simulated seasons with all faults (seeds 1000 to 1023); with stale labels as the only
# fault nearly all proposals are right
_SURE_OF_TWO, _SURE_OF_MORE = (3.4, 9.0), (4.0, 6.0)
# pitches x names x names of a station-day that are weighed: 400 pitches of 100 names. What has more has something else for a label
# (a number for each pitch, say), and would take memory and time without end
_MOST_WEIGHED = 4_000_000


class _Run(NamedTuple):
    """Records whose label the evidence gives to another arm; `partner`: a record of another tracker that has that arm's label."""

    records: Ints
    partner: int
    probability: float


class _Pitches(NamedTuple):
    """The pitches of a station-day in their order: record of each tracker (P, T), -1 where it has none, and its label's code."""

    records: Ints
    told: Ints


def label_runs_frame(
    records: Records,
    streams: list[Stream],
    sightings: pl.DataFrame,
    groups: Groups,
    doubles: Ints,
    thrown_by: frozenset[str],
) -> pl.DataFrame:
    """One row per run of pitches whose label is likelier wrong than right. `doubles`: records that repeat another, left out.

    `thrown_by`: sightings of which a person said who threw them: that holds for all records of the pitch, and nothing is proposed of it.
    """
    told = records.labels[:, _PITCHER].copy()
    told[doubles] = -1
    settled = _settled(records, told, groups, thrown_by)
    told = np.where(settled >= 0, settled, told)
    disputed = _disputed_days(records, told, groups)
    if not len(disputed):
        return pl.DataFrame(schema=LABEL_RUNS)
    spellings, shown_before = _spellings(records, sightings), _shown_before(records, told)
    runs: list[_Run] = []
    for rows in _rows_by_day(records, streams, doubles, disputed):
        pitches = _pitches_of(records, rows, told, groups)
        runs += _runs_of_day(records, pitches, shown_before, spellings, settled >= 0)
    return _frame(records, sightings, runs)


def _settled(records: Records, told: Ints, groups: Groups, thrown_by: frozenset[str]) -> Ints:
    """Of each record of a pitch that a person gave to an arm the code of that arm, else -1."""
    named = records.frame["sighting_id"].is_in(list(thrown_by)).to_numpy()
    said = np.flatnonzero(named & (told >= 0))
    arm = np.full(len(told), -1)
    arm[groups.group[said]] = told[said]
    return arm[groups.group]


def _disputed_days(records: Records, told: Ints, groups: Groups) -> Ints:
    """Station-days where two trackers name one pitch's arm otherwise: on all others there is nothing to find."""
    known = np.flatnonzero(told >= 0)
    first = np.full(len(told), -1)
    # of the labels of a pitch any one: the others are compared with it
    first[groups.group[known]] = told[known]
    return np.unique(records.day[known[told[known] != first[groups.group[known]]]])


def _rows_by_day(records: Records, streams: list[Stream], doubles: Ints, days: Ints) -> list[list[Ints]]:
    """Of each of the days the streams, longest first."""
    out: dict[int, list[Ints]] = {int(day): [] for day in days}
    for stream in streams:
        if (day := int(records.day[stream.rows[0]])) in out:
            out[day].append(stream.rows[~np.isin(stream.rows, doubles)])
    return [sorted(rows, key=lambda r: (-len(r), r.min(initial=0))) for rows in out.values()]


def _spellings(records: Records, sightings: pl.DataFrame) -> dict[int, Spelling]:
    """How each pitcher's code is written; of several ways the first by alphabet."""
    written = records.frame.select("sighting_id", code=pl.Series(records.labels[:, _PITCHER])).join(
        sightings.select("sighting_id", pitcher_words().alias("words"), "pitcher_id"), on="sighting_id"
    )
    on_roster = (~pl.col("pitcher_id").str.starts_with(PROVISIONAL)).fill_null(False)
    each = written.filter(pl.col("code") >= 0).group_by("code").agg(pl.col("words").min(), on_roster.any())
    return {code: Spelling(words or "", known) for code, words, known in each.iter_rows()}


def _shown_before(records: Records, told: Ints) -> Ints:
    """The label that the device showed at its record before, in its file on that day, -1 where it is the first."""
    day = records.frame["baseball_day"].rank("dense").to_numpy()
    order = np.lexsort((np.arange(len(told)), records.frame["file_order"].to_numpy(), day, records.file))
    order = order[told[order] >= 0]
    earlier, later = order[:-1], order[1:]
    follows = (records.file[earlier] == records.file[later]) & (day[earlier] == day[later])
    out = np.full(len(told), -1)
    out[later[follows]] = told[earlier[follows]]
    return out


# ---- a station-day -------------------------------------------------------------------------------------------------------------------------


def _pitches_of(records: Records, streams: list[Ints], told: Ints, groups: Groups) -> _Pitches:
    rows = np.concatenate(streams)
    trackers, column = np.unique(records.tracker[rows], return_inverse=True)
    place = {group: n for n, group in enumerate(_in_order([groups.group[r].tolist() for r in streams]))}
    table = np.full((len(place), len(trackers)), -1)
    table[[place[group] for group in groups.group[rows].tolist()], column] = rows
    return _Pitches(table, np.where(table >= 0, told[table], -1))


def _in_order(streams: list[list[int]]) -> list[int]:
    """The pitches that several streams show, each in its own order: what a stream alone has goes after what it has before that."""
    key: dict[int, tuple[float, int, int]] = {}
    for number, groups in enumerate(streams):
        known = [key[group][0] for group in groups if group in key]
        last = known[0] - 0.5 if known else 1.0 + max((at for at, *_ in key.values()), default=0.0)
        for n, group in enumerate(groups):
            if group in key:
                last = max(last, key[group][0])
            else:
                key[group] = (float(n) if not number else np.floor(last) + 0.5, number, n)
    return sorted(key, key=key.__getitem__)


def _runs_of_day(
    records: Records, pitches: _Pitches, shown_before: Ints, spellings: dict[int, Spelling], settled: Bools
) -> list[_Run]:
    if len(pitches.told) * len(np.unique(pitches.told)) ** 2 > _MOST_WEIGHED:
        return []
    same = one_spelling(pitches.told, spellings)
    told, before = (_respelt(codes, same) for codes in (pitches.told, _of(pitches.records, shown_before)))
    names = np.unique(told[told >= 0])
    if not _disagree(told):
        return []
    number = np.where(told >= 0, np.searchsorted(names, told), -1)
    known = np.where(np.isin(before, names), np.searchsorted(names, before), len(names))
    readings, weight = _arm_readings(records, pitches.records)
    readings = np.ascontiguousarray(readings.transpose(1, 2, 0))
    measured = ~np.isnan(readings)
    shown = np.where(before < 0, -1, known)
    day = Day(number, shown, len(names), np.nan_to_num(readings), measured, weight)
    whose = whose_pitches(day)
    thrower = whose.share.argmax(axis=1)
    stretches = [
        stretch
        for t in range(told.shape[1])
        for stretch in _stretches_of_tracker(records, pitches.records, number, thrower, t, settled)
    ]
    return _supported(pitches.records, day, whose, stretches)


def _respelt(codes: Ints, same: dict[int, int]) -> Ints:
    out = codes.copy()
    for gone, kept in same.items():
        out[codes == gone] = kept
    return out


def _of(rows: Ints, values: Ints) -> Ints:
    return np.where(rows >= 0, values[rows], -1)


def _disagree(told: Ints) -> bool:
    least = np.where(told >= 0, told, told.max(initial=0)).min(axis=1, initial=np.iinfo(np.int64).max)
    return bool(((told.max(axis=1) >= 0) & (least < told.max(axis=1))).any())


def _arm_readings(records: Records, rows: Ints) -> tuple[Floats, Floats]:
    """(P, T, M) readings that tell arms apart, and the say of each metric."""
    release = _taken(records, rows, _RELEASE)
    if (~np.isnan(release)).any(axis=(1, 2)).mean() >= _LEAST_RELEASE:
        return release, np.ones(len(_RELEASE))
    flight, kind = _taken(records, rows, _FLIGHT), _of(rows, records.labels[:, _PITCH_TYPE])
    for t in range(rows.shape[1]):
        for code in np.unique(kind[:, t]).tolist():
            mine = kind[:, t] == code
            flight[mine, t] -= np.nan_to_num(medians(flight[mine, t].T))
    return flight, np.full(len(_FLIGHT), _FLIGHT_SAYS)


def _taken(records: Records, rows: Ints, metrics: tuple[str, ...]) -> Floats:
    values = records.readings[rows][:, :, [METRIC_NAMES.index(m) for m in metrics]]
    return np.where((rows >= 0)[:, :, None], values, np.nan)


class _Stretch(NamedTuple):
    """Pitches of one arm, in a device's order, that carry one other label; `example`: (pitch, tracker) of the arm's label on one of them."""

    tracker: int
    pitches: Ints
    shown: int
    arm: int
    example: tuple[int, int]


def _stretches_of_tracker(
    records: Records, rows: Ints, told: Ints, thrower: Ints, t: int, settled: Bools
) -> list[_Stretch]:
    """For each arm, the stretches of its pitches, in the device's order, that carry one other label, where another tracker has the arm's
    label on any of them. Pitches of other arms in between (two mounds in use) do not break one.
    """
    mine = np.flatnonzero(told[:, t] >= 0)
    mine = mine[~settled[rows[mine, t]]]
    mine = mine[np.argsort(rows[mine, t], kind="stable")]
    # arm by arm, each in the device's order
    mine = mine[np.argsort(thrower[mine], kind="stable")]
    marks = np.stack([thrower[mine], told[mine, t], records.file[rows[mine, t]]])
    named = (told[mine] == thrower[mine][:, None]).any(axis=1)
    begin = np.flatnonzero((np.diff(marks, prepend=-1) != 0).any(axis=0))
    wanted = (marks[0] != marks[1])[begin] & np.logical_or.reduceat(named, begin) if len(begin) else begin > 0
    end = np.append(begin[1:], len(mine))
    out = []
    for first, last in zip(begin[wanted].tolist(), end[wanted].tolist(), strict=True):
        at = first + int(named[first:last].argmax())
        arm, pitch = int(marks[0, first]), int(mine[at])
        example = (pitch, int((told[pitch] == arm).argmax()))
        out.append(_Stretch(t, mine[first:last], int(marks[1, first]), arm, example))
    return out


def _supported(rows: Ints, day: Day, whose: Whose, stretches: list[_Stretch]) -> list[_Run]:
    """The runs for which the evidence is strong enough."""
    shown, arm = (np.array([getattr(s, name) for s in stretches], dtype=np.int64) for name in ("shown", "arm"))
    ratios = support(day, whose, [np.sort(s.pitches) for s in stretches], shown, arm).round(3)
    return [
        _Run(rows[s.pitches, s.tracker], int(rows[s.example]), round(probability_right(ratio, rows.shape[1]), 3))
        for s, ratio in zip(stretches, ratios.tolist(), strict=True)
        if ratio >= _LEAST_SUPPORT
    ]


def probability_right(support: float, trackers: int) -> float:
    """Probability that the label shown is wrong and the proposed one right, from a log-likelihood ratio in nats."""
    most, at = _SURE_OF_TWO if trackers == 2 else _SURE_OF_MORE
    return 1 / (1 + math.exp(-most * (1 - math.exp(-support / at))))


# ---- the outcome ---------------------------------------------------------------------------------------------------------------------------


def _frame(records: Records, sightings: pl.DataFrame, runs: list[_Run]) -> pl.DataFrame:
    ids, trackers, files = (records.frame[c].to_list() for c in ("sighting_id", "tracker", "file_id"))
    wanted = [ids[row] for run in runs for row in (int(run.records[0]), run.partner)]
    named = sightings.filter(pl.col("sighting_id").is_in(wanted)).select("sighting_id", "pitcher_label", "pitcher_id")
    said = {sighting: (label, player) for sighting, label, player in named.iter_rows()}
    out = []
    for run in runs:
        covered = [ids[row] for row in run.records.tolist()]
        first = int(run.records[0])
        own, proposed = said[covered[0]][0], said[ids[run.partner]]
        span = (covered[0], covered[-1], len(covered), ",".join(covered))
        out.append((trackers[first], files[first], own, *span, *proposed, run.probability))
    return pl.DataFrame(out, schema=LABEL_RUNS, orient="row").sort("tracker", "file_id", "first_sighting_id")
