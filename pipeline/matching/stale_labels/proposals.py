"""Propose corrections for runs of pitches that carry a stale or wrong pitcher label.

A label is evidence, not truth. `spellings` first merges names that differ in spelling only. Then `pitcher_hmm` weighs all labels and
readings of a station-day and infers who threw each pitch. A run is proposed where the label names another pitcher, and another tracker's
label of the run names the inferred one.
"""

import math
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.matching.data.arrays import Bools, Floats, Ints, medians
from pipeline.matching.data.records import LABELS, METRIC_NAMES, Records, pitcher_words
from pipeline.matching.data.streams import Stream
from pipeline.matching.pitches.grouping import Groups
from pipeline.matching.stale_labels.pitcher_hmm import PitcherFit, PitchSequence, infer_pitchers
from pipeline.matching.stale_labels.run_evidence import run_evidence
from pipeline.matching.stale_labels.spellings import Spelling, merge_spellings
from pipeline.settings.people import PROVISIONAL

LABEL_RUNS = {
    **dict.fromkeys(("tracker", "file_id", "label", "first_sighting_id", "last_sighting_id"), pl.String),
    "pitches": pl.UInt32,
    **dict.fromkeys(("sighting_ids", "proposed_label", "proposed_player_id"), pl.String),
    "probability": pl.Float64,
}
_PITCHER = list(LABELS).index("pitcher")
_PITCH_TYPE = list(LABELS).index("pitch_type")
# Readings that differ between pitchers whatever they throw.
_RELEASE = ("release_height_ft", "release_side_ft", "extension_ft")
# Readings used where few pitches have a release point: about the median of their pitch type.
_FLIGHT = (
    *("release_speed_mph", "spin_rate_rpm", "spin_efficiency"),
    *("induced_vertical_break_in", "horizontal_break_in"),
)
# Share of records that must have a release point; a guess, no source.
_RELEASE_SHARE = 0.3
# Weight of each flight reading: they largely repeat one another; a guess, no source.
_FLIGHT_WEIGHT = 0.5
# Evidence, in nats, that a proposal needs: each one is a question to a person.
_LEAST_EVIDENCE = 0.5


class _Calibration(NamedTuple):
    """log odds that a proposal is right = `most` (1 - exp(-evidence / `scale`)), evidence and scale in nats."""

    most: float
    scale: float


# Errors repeat over a stint, so no evidence is as sure as it seems, and with two trackers no third label says which one is right. Both
# are fitted to the benchmark worlds "all faults" (seeds 1000 to 1023); with stale labels alone nearly all proposals are right.
_TWO_TRACKERS = _Calibration(3.4, 9.0)
_MORE_TRACKERS = _Calibration(4.0, 6.0)
# Pitches x names x names of a station-day beyond which it is skipped: 400 pitches of 100 names. A day with more has something else in its
# label column, such as a number per pitch, and would take unbounded time and memory.
_LARGEST_DAY = 4_000_000


class _Pitches(NamedTuple):
    """The pitches of a station-day in order (P, T): each tracker's record, -1 where it has none, and the code of its label."""

    records: Ints
    label: Ints


class _Run(NamedTuple):
    """Pitches of one pitcher, in one tracker's order, whose label names another one.

    `example`: (pitch, tracker) of a label that names the inferred `pitcher`.
    """

    tracker: int
    pitches: Ints
    shown: int
    pitcher: int
    example: tuple[int, int]


class _Proposal(NamedTuple):
    """Records to relabel; `partner`: a record of another tracker that has the proposed label."""

    records: Ints
    partner: int
    probability: float


def label_runs_frame(
    records: Records,
    streams: list[Stream],
    sightings: pl.DataFrame,
    groups: Groups,
    doubles: Ints,
    thrown_by: frozenset[str],
) -> pl.DataFrame:
    """Return one row per run of pitches whose label is likely wrong.

    `doubles`: records that are set aside. `thrown_by`: sightings whose pitcher a person named; that holds for all records of the pitch,
    and nothing is proposed for them.
    """
    label = records.labels[:, _PITCHER].copy()
    label[doubles] = -1
    decided = _decided_labels(records, label, groups, thrown_by)
    label = np.where(decided >= 0, decided, label)
    disputed = _disputed_days(records, label, groups)
    if not len(disputed):
        return pl.DataFrame(schema=LABEL_RUNS)
    spellings, previous = _spellings(records, sightings), _previous_labels(records, label)
    proposals: list[_Proposal] = []
    for day_streams in _streams_by_day(records, streams, doubles, disputed):
        pitches = _pitches_in_order(records, day_streams, label, groups)
        proposals += _proposals_of_day(records, pitches, previous, spellings, decided >= 0)
    return _frame(records, sightings, proposals)


def _decided_labels(records: Records, label: Ints, groups: Groups, thrown_by: frozenset[str]) -> Ints:
    """Return (records,) the label of pitches whose pitcher a person named, else -1."""
    named = records.frame["sighting_id"].is_in(list(thrown_by)).to_numpy()
    decided = np.flatnonzero(named & (label >= 0))
    by_group = np.full(len(label), -1)
    by_group[groups.group[decided]] = label[decided]
    return by_group[groups.group]


def _disputed_days(records: Records, label: Ints, groups: Groups) -> Ints:
    """Return the station-days where two trackers name different pitchers for one pitch: no other day has anything to find."""
    known = np.flatnonzero(label >= 0)
    # Any one label of the pitch will do: the others are compared with it.
    by_group = np.full(len(label), -1)
    by_group[groups.group[known]] = label[known]
    return np.unique(records.day[known[label[known] != by_group[groups.group[known]]]])


def _streams_by_day(records: Records, streams: list[Stream], doubles: Ints, days: Ints) -> list[list[Ints]]:
    """Return the rows of each day's streams without double records, longest stream first."""
    by_day: dict[int, list[Ints]] = {int(day): [] for day in days}
    for stream in streams:
        if (day := int(records.day[stream.rows[0]])) in by_day:
            by_day[day].append(stream.rows[~np.isin(stream.rows, doubles)])
    return [sorted(rows, key=lambda r: (-len(r), r.min(initial=0))) for rows in by_day.values()]


def _spellings(records: Records, sightings: pl.DataFrame) -> dict[int, Spelling]:
    """Return how each label code is written; of several ways, the first in alphabetical order."""
    written = records.frame.select("sighting_id", code=pl.Series(records.labels[:, _PITCHER])).join(
        sightings.select("sighting_id", pitcher_words().alias("words"), "pitcher_id"), on="sighting_id"
    )
    on_roster = (~pl.col("pitcher_id").str.starts_with(PROVISIONAL)).fill_null(False)
    by_code = written.filter(pl.col("code") >= 0).group_by("code").agg(pl.col("words").min(), on_roster.any())
    return {code: Spelling(words or "", known) for code, words, known in by_code.iter_rows()}


def _previous_labels(records: Records, label: Ints) -> Ints:
    """Return the label of the record before, in the same file and on the same day; -1 for the first."""
    day = records.frame["baseball_day"].rank("dense").to_numpy()
    order = np.lexsort((np.arange(len(label)), records.frame["file_order"].to_numpy(), day, records.file))
    order = order[label[order] >= 0]
    earlier, later = order[:-1], order[1:]
    follows = (records.file[earlier] == records.file[later]) & (day[earlier] == day[later])
    previous = np.full(len(label), -1)
    previous[later[follows]] = label[earlier[follows]]
    return previous


# ---- a station-day -------------------------------------------------------------------------------------------------------------------------


def _pitches_in_order(records: Records, streams: list[Ints], label: Ints, groups: Groups) -> _Pitches:
    rows = np.concatenate(streams)
    trackers, column = np.unique(records.tracker[rows], return_inverse=True)
    place = {group: n for n, group in enumerate(_merged_order([groups.group[r].tolist() for r in streams]))}
    table = np.full((len(place), len(trackers)), -1)
    table[[place[group] for group in groups.group[rows].tolist()], column] = rows
    return _Pitches(table, np.where(table >= 0, label[table], -1))


def _merged_order(streams: list[list[int]]) -> list[int]:
    """Return the pitches of several streams in one order that keeps each stream's own.

    A pitch that only a later stream has goes after the pitch before it in that stream.
    """
    key: dict[int, tuple[float, int, int]] = {}
    for number, groups in enumerate(streams):
        shared = [key[group][0] for group in groups if group in key]
        last = shared[0] - 0.5 if shared else 1.0 + max((place for place, *_ in key.values()), default=0.0)
        for n, group in enumerate(groups):
            if group in key:
                last = max(last, key[group][0])
            else:
                key[group] = (float(n) if not number else np.floor(last) + 0.5, number, n)
    return sorted(key, key=key.__getitem__)


def _proposals_of_day(
    records: Records, pitches: _Pitches, previous: Ints, spellings: dict[int, Spelling], decided: Bools
) -> list[_Proposal]:
    if len(pitches.label) * len(np.unique(pitches.label)) ** 2 > _LARGEST_DAY:
        return []
    merged = merge_spellings(pitches.label, spellings)
    label, before = (_respell(codes, merged) for codes in (pitches.label, _gather(pitches.records, previous)))
    if not _labels_differ(label):
        return []
    names = np.unique(label[label >= 0])
    number = np.where(label >= 0, np.searchsorted(names, label), -1)
    number_before = np.where(np.isin(before, names), np.searchsorted(names, before), len(names))
    readings, weight = _pitcher_readings(records, pitches.records)
    readings = np.ascontiguousarray(readings.transpose(1, 2, 0))
    sequence = PitchSequence(
        label=number,
        previous_label=np.where(before < 0, -1, number_before),
        pitchers=len(names),
        readings=np.nan_to_num(readings),
        measured=~np.isnan(readings),
        weight=weight,
    )
    fit = infer_pitchers(sequence)
    pitcher = fit.posterior.argmax(axis=1)
    runs = [
        run
        for t in range(label.shape[1])
        for run in _runs_of_tracker(records, pitches.records, number, pitcher, t, decided)
    ]
    return _likely_proposals(pitches.records, sequence, fit, runs)


def _respell(codes: Ints, merged: dict[int, int]) -> Ints:
    out = codes.copy()
    for gone, kept in merged.items():
        out[codes == gone] = kept
    return out


def _gather(rows: Ints, values: Ints) -> Ints:
    return np.where(rows >= 0, values[rows], -1)


def _labels_differ(label: Ints) -> bool:
    """Return whether any pitch has two different labels."""
    highest = label.max(axis=1)
    lowest = np.where(label >= 0, label, label.max(initial=0)).min(axis=1, initial=np.iinfo(np.int64).max)
    return bool(((highest >= 0) & (lowest < highest)).any())


def _pitcher_readings(records: Records, rows: Ints) -> tuple[Floats, Floats]:
    """Return (P, T, M) the readings that differ between pitchers, and the weight of each metric."""
    release = _readings_at(records, rows, _RELEASE)
    if (~np.isnan(release)).any(axis=(1, 2)).mean() >= _RELEASE_SHARE:
        return release, np.ones(len(_RELEASE))
    flight, pitch_type = _readings_at(records, rows, _FLIGHT), _gather(rows, records.labels[:, _PITCH_TYPE])
    for t in range(rows.shape[1]):
        for code in np.unique(pitch_type[:, t]).tolist():
            own = pitch_type[:, t] == code
            flight[own, t] -= np.nan_to_num(medians(flight[own, t].T))
    return flight, np.full(len(_FLIGHT), _FLIGHT_WEIGHT)


def _readings_at(records: Records, rows: Ints, metrics: tuple[str, ...]) -> Floats:
    values = records.readings[rows][:, :, [METRIC_NAMES.index(m) for m in metrics]]
    return np.where((rows >= 0)[:, :, None], values, np.nan)


def _runs_of_tracker(records: Records, rows: Ints, label: Ints, pitcher: Ints, t: int, decided: Bools) -> list[_Run]:
    """Return the runs of each pitcher's pitches, in tracker t's order, that carry one other label.

    Another tracker's label must name the pitcher on one of them. Pitches of other pitchers between them (two mounds) do not end a run.
    """
    own = np.flatnonzero(label[:, t] >= 0)
    own = own[~decided[rows[own, t]]]
    own = own[np.argsort(rows[own, t], kind="stable")]
    own = own[np.argsort(pitcher[own], kind="stable")]
    marks = np.stack([pitcher[own], label[own, t], records.file[rows[own, t]]])
    named = (label[own] == pitcher[own][:, None]).any(axis=1)
    begin = np.flatnonzero((np.diff(marks, prepend=-1) != 0).any(axis=0))
    wanted = (marks[0] != marks[1])[begin] & np.logical_or.reduceat(named, begin) if len(begin) else begin > 0
    end = np.append(begin[1:], len(own))
    runs = []
    for first, last in zip(begin[wanted].tolist(), end[wanted].tolist(), strict=True):
        thrower, pitch = int(marks[0, first]), int(own[first + int(named[first:last].argmax())])
        example = (pitch, int((label[pitch] == thrower).argmax()))
        runs.append(_Run(t, own[first:last], int(marks[1, first]), thrower, example))
    return runs


def _likely_proposals(rows: Ints, sequence: PitchSequence, fit: PitcherFit, runs: list[_Run]) -> list[_Proposal]:
    """Return the runs with enough evidence, with the probability that each proposal is right."""
    shown, proposed = (np.array([getattr(run, name) for run in runs], dtype=np.int64) for name in ("shown", "pitcher"))
    evidence = run_evidence(sequence, fit, [np.sort(run.pitches) for run in runs], shown, proposed).round(3)
    return [
        _Proposal(
            rows[run.pitches, run.tracker], int(rows[run.example]), round(probability_right(nats, rows.shape[1]), 3)
        )
        for run, nats in zip(runs, evidence.tolist(), strict=True)
        if nats >= _LEAST_EVIDENCE
    ]


def probability_right(evidence: float, trackers: int) -> float:
    """Return the probability that the label shown is wrong and the proposed one right; `evidence` in nats."""
    calibration = _TWO_TRACKERS if trackers == 2 else _MORE_TRACKERS
    return 1 / (1 + math.exp(-calibration.most * (1 - math.exp(-evidence / calibration.scale))))


def _frame(records: Records, sightings: pl.DataFrame, proposals: list[_Proposal]) -> pl.DataFrame:
    ids, trackers, files = (records.frame[c].to_list() for c in ("sighting_id", "tracker", "file_id"))
    wanted = [ids[row] for proposal in proposals for row in (int(proposal.records[0]), proposal.partner)]
    named = sightings.filter(pl.col("sighting_id").is_in(wanted)).select("sighting_id", "pitcher_label", "pitcher_id")
    label_of = {sighting: (label, player) for sighting, label, player in named.iter_rows()}
    rows = []
    for proposal in proposals:
        covered = [ids[row] for row in proposal.records.tolist()]
        first = int(proposal.records[0])
        shown, proposed = label_of[covered[0]][0], label_of[ids[proposal.partner]]
        span = (covered[0], covered[-1], len(covered), ",".join(covered))
        rows.append((trackers[first], files[first], shown, *span, *proposed, proposal.probability))
    return pl.DataFrame(rows, schema=LABEL_RUNS, orient="row").sort("tracker", "file_id", "first_sighting_id")
