"""Runs of pitches that carry a stale or wrong pitcher label, with the label that the other trackers and the readings propose."""

from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.matching.arrays import Floats, Ints
from pipeline.matching.grouping import Groups
from pipeline.matching.records import LABELS, METRIC_NAMES, Records, Stream
from pipeline.matching.tables import Pairs

LABEL_RUNS = {
    **dict.fromkeys(("tracker", "file_id", "label", "first_sighting_id", "last_sighting_id"), pl.String),
    "pitches": pl.UInt32,
    **dict.fromkeys(("proposed_label", "proposed_player_id"), pl.String),
    "support": pl.Float64,
}
_PITCHER = list(LABELS).index("pitcher")
# what tells arms apart; spread of one arm's release, common practice
_ARM = {"release_height_ft": 0.2, "release_side_ft": 0.25, "extension_ft": 0.3}
_LEAST_KNOWN, _MOST_PER_READING = 4, 3.0
# a label that simply was not changed when the arm was is by far the commonest fault: worth this much evidence (nats); a guess, no source
_STALE = 1.5
_LEAST_SUPPORT = 1.0


class _Run(NamedTuple):
    """Rows of one stream that the others give one other label; `left_standing`: the label was in use just before the run."""

    rows: Ints
    partners: Ints
    own: int
    proposed: int
    left_standing: bool


def label_runs_frame(
    records: Records, streams: list[Stream], sightings: pl.DataFrame, pairs: Pairs, groups: Groups, probability: Floats
) -> pl.DataFrame:
    """One row per run of disagreeing pitcher labels whose evidence is on the side of the other trackers."""
    told = records.labels[:, _PITCHER]
    partner = _partners(len(told), pairs, groups, probability, told)
    label = _spelt_alike(records.day, told, partner)
    runs = []
    for stream in streams:
        found = _runs(stream.rows, label, partner)
        usual = _release_of(records, stream.rows, label, partner) if found else {}
        runs += [(run, _support(records, run, usual)) for run in found]
    return _frame(
        records,
        sightings,
        [(run, round(support, 3)) for run, support in _likelier_side(runs) if support >= _LEAST_SUPPORT],
    )


def _spelt_alike(day: Ints, label: Ints, partner: Ints) -> Ints:
    """`_one_spelling` on each station-day by itself: what other days say must not change a day's outcome."""
    out = label.copy()
    for rows in np.split(np.arange(len(day)), np.flatnonzero(np.diff(day)) + 1):
        place = np.where(partner[rows] >= 0, partner[rows] - rows[:1], -1)
        out[rows] = _one_spelling(label[rows], place)
    return out


def _one_spelling(label: Ints, partner: Ints) -> Ints:
    """Labels that the partners never use but mostly stand beside one of theirs take that one: a matter of names, not of runs."""
    matched = np.flatnonzero(partner >= 0)
    own, other = label[matched], label[partner[matched]]
    agreeing = set(own[own == other].tolist())
    out = label.copy()
    for code in np.unique(own).tolist():
        beside = other[own == code]
        names, counts = np.unique(beside, return_counts=True)
        if code not in agreeing and counts.max() > 0.6 * len(beside) and names[counts.argmax()] in agreeing:
            out[label == code] = names[counts.argmax()]
    return out


def _likelier_side(runs: list[tuple[_Run, float]]) -> list[tuple[_Run, float]]:
    """Of two trackers that contradict each other, only the one whose label is likelier wrong is told."""
    best: dict[tuple[int, int], float] = {}
    for run, support in runs:
        for a, b in zip(run.rows.tolist(), run.partners.tolist(), strict=True):
            best[(a, b)] = support
    return [
        (run, support)
        for run, support in runs
        if support
        >= max(best.get((b, a), -np.inf) for a, b in zip(run.rows.tolist(), run.partners.tolist(), strict=True))
    ]


def _partners(n: int, pairs: Pairs, groups: Groups, probability: Floats, label: Ints) -> Ints:
    """Row of the surest partner that has a pitcher label, -1 where there is none."""
    partner = np.full(n, -1)
    joined = np.flatnonzero(groups.joined & (probability >= 0.5))
    for at in joined[np.argsort(probability[joined], kind="stable")].tolist():
        a, b = int(pairs.first[at]), int(pairs.second[at])
        if label[a] >= 0 and label[b] >= 0:
            partner[a], partner[b] = b, a
    return partner


def _runs(rows: Ints, label: Ints, partner: Ints) -> list[_Run]:
    """For each arm that the partners name, the stretches of its pitches that carry one other label here.

    Pitches of other arms in between (two mounds in use) do not break a run.
    """
    known = rows[(partner[rows] >= 0) & (label[rows] >= 0)]
    own, other = label[known], label[partner[known]]
    runs = []
    for arm in np.unique(other[own != other]).tolist():
        at = np.flatnonzero(other == arm)
        for stretch in np.split(at, np.flatnonzero(np.diff(own[at]) != 0) + 1):
            wrong = int(own[stretch[0]])
            if wrong != arm and len(stretch) >= 2:
                left_standing = wrong in own[max(stretch[0] - 3, 0) : stretch[0]].tolist()
                runs.append(_Run(known[stretch], partner[known[stretch]], wrong, int(arm), bool(left_standing)))
    return runs


def _release_of(records: Records, rows: Ints, label: Ints, partner: Ints) -> dict[int, Floats]:
    """Where each label's arm lets go, by this tracker, from the pitches whose label the others confirm."""
    sure = rows[(partner[rows] >= 0) & (label[rows] == label[partner[rows]])]
    columns = [METRIC_NAMES.index(m) for m in _ARM]
    usual = {}
    for code in np.unique(label[sure]).tolist():
        mine = sure[label[sure] == code]
        if len(mine) >= _LEAST_KNOWN:
            readings = records.readings[mine][:, columns]
            usual[code] = np.array([np.median(c[~np.isnan(c)]) if (~np.isnan(c)).any() else np.nan for c in readings.T])
    return usual


def _support(records: Records, run: _Run, usual: dict[int, Floats]) -> float:
    """Log-likelihood ratio for the proposed label: where the arm lets go, and whether the own label was simply left standing."""
    stale = _STALE if run.left_standing else -_STALE
    if run.own not in usual or run.proposed not in usual:
        return stale + 0.1 * len(run.rows) * (stale > 0)
    readings = records.readings[run.rows][:, [METRIC_NAMES.index(m) for m in _ARM]]
    spread = np.array(list(_ARM.values()))
    say = 0.5 * (((readings - usual[run.own]) / spread) ** 2 - ((readings - usual[run.proposed]) / spread) ** 2)
    return stale + float(np.nansum(np.clip(say, -_MOST_PER_READING, _MOST_PER_READING)))


def _frame(records: Records, sightings: pl.DataFrame, rows: list[tuple[_Run, float]]) -> pl.DataFrame:
    said = {
        i: (label, player)
        for i, label, player in sightings.select("sighting_id", "pitcher_label", "pitcher_id").iter_rows()
    }
    ids, trackers, files = (records.frame[c].to_list() for c in ("sighting_id", "tracker", "file_id"))
    out = []
    for run, support in rows:
        first, last = int(run.rows[0]), int(run.rows[-1])
        proposed, player = said[ids[int(run.partners[0])]]
        out.append(
            (
                trackers[first],
                files[first],
                said[ids[first]][0],
                ids[first],
                ids[last],
                len(run.rows),
                proposed,
                player,
                support,
            )
        )
    return pl.DataFrame(out, schema=LABEL_RUNS, orient="row").sort("tracker", "file_id", "first_sighting_id")
