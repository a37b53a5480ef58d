"""Where a roaming tracker stood at each of its records: beside the session that others saw there, if one is likelier than not.

A log that names no station may hold one session, several in turn, or those of two mounds at once (two instrumented balls under one
name). Each file is laid beside what the other trackers saw at each of its stations (`_partners`): the chance that a record has its
partner there. From these chances, and from whose throw it says it is, a hidden Markov model over the records of each arm
(`_where`; Rabiner's forward-backward, 1989) says where each was thrown: at one of the stations, or where nobody else looked.
Nights without such a log cost nothing.
"""

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.matching.alignment.bands import Cells
from pipeline.matching.data.arrays import Bools, Floats, Ints
from pipeline.matching.data.records import Records, pitcher_key, streams_of, take_records, units_of
from pipeline.matching.learning.day_models import fit_days
from pipeline.matching.pitches.tables import STATION_FINDS

_BLOCK = ("venue", "baseball_day", "tracker", "file_id", "native_session")
# evidence that a station must have beyond none (natural log): a fit can flatter itself on a few pitches
_MARGIN, _LEAST_MATCHED = 3.0, 3.0
# a record likelier than this at a station is put there; its pairs are no surer than that
_LEAST_PROBABILITY = 0.5
# a record whose partner is likelier than this at one station is left out when the others are laid beside another once more, and so on at most so often
_THERE, _NARROWINGS = 0.9, 3
_STEPS = 6
# an arm seldom changes the mound; records that name nobody may be of anybody: guesses, no source
_STAYS, _STAYS_UNNAMED = 0.7, 0.5
# pseudo-records: an arm's stations are like all arms', and one record in ten has no partner where it was thrown
_SHARE_PRIOR, _MISSED_PRIOR = 1.0, (1.0, 10.0)
# a station whose others miss more than this share cannot be told from one where half of the throws were
_MOST_MISSED = 0.15
# a record says no more than this about a station, either way
_MOST_ODDS = 1e2


class Located(NamedTuple):
    """`sightings` with the stations that were found; `finds`; `claimed` (sighting_id, claimed): chance of a partner at another station."""

    sightings: pl.DataFrame
    finds: pl.DataFrame
    claimed: pl.DataFrame


class _Try(NamedTuple):
    """Records of a block (by its number) to be laid beside what the others saw at a station."""

    block: int
    station: str
    records: pl.DataFrame


# (block, station) -> sighting id -> chance that the record has its partner there; without an entry, it shows no common session
_Chances = dict[tuple[int, str], dict[str, float]]


class _Trial(NamedTuple):
    """Records of one block in the order of the file: ids, whose throw each says it is (code, -1: nobody's), and the chance of a
    partner at each of its stations, (records, stations)."""

    ids: list[str]
    arm: Ints
    stations: tuple[str, ...]
    partner: Floats


def locate_roamers(sightings: pl.DataFrame, stations: Mapping[str, tuple[str, ...]]) -> Located:
    """A station for each record without one whose tracker may be at `stations`, where the evidence is for it."""
    lost = sightings.filter(
        pl.col("station").is_null() & pl.col("tracker").is_in([t for t, allowed in stations.items() if allowed])
    )
    if lost.is_empty():
        return Located(sightings, pl.DataFrame(schema=STATION_FINDS), pl.DataFrame(schema=_CLAIMED))
    told = _told(sightings, lost, stations)
    finds = told.filter(pl.col("probability") > _LEAST_PROBABILITY).select(list(STATION_FINDS)).sort("sighting_id")
    located = sightings.join(
        finds.select("sighting_id", found="station"), on="sighting_id", how="left", maintain_order="left"
    )
    is_found = pl.col("station").is_null() & pl.col("found").is_not_null()
    located = located.with_columns(
        pl.when(is_found).then(pl.lit("matching")).otherwise("station_by").alias("station_by"),
        pl.coalesce("station", "found").alias("station"),
    ).drop("found")
    return Located(located, finds, _claimed(told, finds))


def no_surer_than_the_station(records: Records, cells: Cells, finds: pl.DataFrame) -> Cells:
    """A pair is as sure as that both were thrown at the station, times as sure as it is there."""
    if finds.is_empty():
        return cells
    known = records.frame.select("sighting_id").join(finds, on="sighting_id", how="left", maintain_order="left")
    certain = known["probability"].fill_null(1.0).to_numpy()
    return cells._replace(posterior=cells.posterior * certain[cells.first] * certain[cells.second])


def with_claims_elsewhere(matches: pl.DataFrame, claimed: pl.DataFrame) -> pl.DataFrame:
    """A single is rightly alone only if its partner is at no other station either."""
    if claimed.is_empty():
        return matches
    joined = matches.join(claimed, on="sighting_id", how="left", maintain_order="left")
    alone = (pl.col("match_probability") * (1 - pl.col("claimed").fill_null(0.0))).round(6)
    probability = pl.when(pl.col("decided_by") == "single").then(alone).otherwise("match_probability")
    return joined.with_columns(probability.alias("match_probability")).drop("claimed")


_CLAIMED = {"sighting_id": pl.String, "claimed": pl.Float64}
_TOLD = {**STATION_FINDS, "claimed": pl.Float64}


def _claimed(told: pl.DataFrame, finds: pl.DataFrame) -> pl.DataFrame:
    elsewhere = told.join(finds, on=["sighting_id", "station"], how="anti")
    return elsewhere.group_by("sighting_id").agg(pl.col("claimed").sum().clip(0, 1).round(6)).sort("sighting_id")


def _told(sightings: pl.DataFrame, lost: pl.DataFrame, stations: Mapping[str, tuple[str, ...]]) -> pl.DataFrame:
    """Each lost record at each station where its file has partners: probability that it was thrown there, and that its partner is there."""
    blocks = lost.sort("file_order", "sighting_id").partition_by(_BLOCK, maintain_order=True)
    blocks = sorted(blocks, key=lambda block: tuple(str(v) for v in block.select(_BLOCK).row(0)))
    first = [_Try(n, s, block) for n, block in enumerate(blocks) for s in stations[block["tracker"][0]]]
    tries, found, changed = first, [pl.DataFrame(schema=_TOLD)] * len(blocks), set(range(len(blocks)))
    for _ in range(1 + _NARROWINGS):
        chances = _partners(sightings, [one for one in tries if one.block in changed])
        for n in changed:
            found[n] = _where(_trial(blocks[n], n, chances))
        before, tries = tries, [_narrowed(one, found[one.block]) for one in first]
        changed = {new.block for new, old in zip(tries, before, strict=True) if not new.records.equals(old.records)}
    return pl.concat([pl.DataFrame(schema=_TOLD), *found])


def _narrowed(one: _Try, told: pl.DataFrame) -> _Try:
    """The same without the records whose partners are at another station."""
    other = told.filter((pl.col("station") != one.station) & (pl.col("claimed") > _THERE))
    return one._replace(records=one.records.join(other, on="sighting_id", how="anti", maintain_order="left"))


def _by_arm(one: _Try) -> _Try:
    """The same as if each arm had a file of its own: throws of two mounds no longer stand between one another."""
    arm = pl.format("{}\t{}", "file_id", pitcher_key().fill_null(""))
    return one._replace(records=one.records.with_columns(arm.alias("file_id")))


def _partners(sightings: pl.DataFrame, tries: list[_Try]) -> _Chances:
    """For each (block, station) where the others saw the same session: the chance of a partner, by sighting id."""
    staged: list[pl.DataFrame] = []
    named: dict[str, _Try] = {}
    for one in (*tries, *map(_by_arm, tries)):
        if one.records.is_empty():
            continue
        venue, day, tracker = one.records.select("venue", "baseball_day", "tracker").row(0)
        here = (pl.col("station") == one.station) & (pl.col("venue") == venue) & (pl.col("baseball_day") == day)
        others = sightings.filter(here & (pl.col("tracker") != tracker))
        if len(others):
            name = str(len(named))
            named[name] = one
            staged.append(pl.concat([one.records, others]).with_columns(pl.lit(name).alias("station")))
    return _chances(pl.concat(staged), named) if staged else {}


def _chances(together: pl.DataFrame, tries: Mapping[str, _Try]) -> _Chances:
    records = take_records(together)
    names, ids = records.frame["station"].to_list(), records.frame["sighting_id"].to_list()
    owner = [tries[name].records["tracker"][0] for name in names]
    roams = np.array([t == o for t, o in zip(records.frame["tracker"].to_list(), owner, strict=True)], dtype=bool)
    units = [u for u in units_of(streams_of(records)) if roams[u.first.rows[0]] or roams[u.second.rows[0]]]
    fit = fit_days(records, units, all_twice=True).fit
    matched = np.bincount(fit.cells.unit, fit.cells.posterior, len(units))
    try_of = [names[int(unit.first.rows[0])] for unit in units]
    # of several tries, the best flatters itself more
    needed = _MARGIN + np.log([2 * try_of.count(name) for name in try_of])
    shown = (fit.log_evidence > needed) & (matched >= _LEAST_MATCHED)
    there = {try_of[u] for u in np.flatnonzero(shown).tolist()}
    chance = _best_partner(records, roams, (fit.cells.first, fit.cells.second), fit.cells.posterior)
    of_try: dict[str, dict[str, float]] = {}
    for row in np.flatnonzero(roams).tolist():
        if names[row] in there:
            of_try.setdefault(names[row], {})[ids[row]] = float(chance[row])
    out: _Chances = {}
    for name, chances in of_try.items():
        known = out.setdefault((tries[name].block, tries[name].station), {})
        known.update({i: max(p, known.get(i, 0.0)) for i, p in chances.items()})
    return out


def _best_partner(records: Records, roams: Bools, cells: tuple[Ints, Ints], posterior: Floats) -> Floats:
    """Of each roaming record: chance that it has a partner, by the tracker that is surest of it."""
    first, second = cells
    best = np.zeros(len(roams))
    for own, other in ((first, second), (second, first)):
        mine = np.flatnonzero(roams[own])
        key = own[mine] * len(records.trackers) + records.tracker[other[mine]]
        total = np.bincount(key, posterior[mine], len(roams) * len(records.trackers))
        best = np.maximum(best, total.reshape(len(roams), -1).max(axis=1))
    return np.minimum(best, 1.0)


def _trial(block: pl.DataFrame, number: int, chances: _Chances) -> _Trial:
    ids = block["sighting_id"].to_list()
    at = tuple(sorted(station for n, station in chances if n == number))
    partner = np.array([[chances[(number, s)].get(i, 0.0) for s in at] for i in ids]).reshape(len(ids), len(at))
    arm = block.select(pitcher_key().rank("dense").cast(pl.Int64).fill_null(0) - 1).to_series().to_numpy()
    return _Trial(ids, arm, at, partner)


def _where(trial: _Trial) -> pl.DataFrame:
    """Probability of each station for each record, and of its partner there; shares and misses learned in a few steps of EM."""
    n, k = trial.partner.shape
    if not k:
        return pl.DataFrame(schema=_TOLD)
    says = _says(trial.partner)
    missed = np.full(k, _MISSED_PRIOR[0] / _MISSED_PRIOR[1])
    sequences = [np.flatnonzero(trial.arm == code) for code in np.unique(trial.arm).tolist()]
    share = np.full((len(sequences), k + 1), 1 / (k + 1))
    at = np.zeros((n, k + 1))
    for _ in range(_STEPS):
        emission = np.concatenate([missed + (1 - missed) * says, np.ones((n, 1))], axis=1)
        for q, rows in enumerate(sequences):
            stays = _STAYS if trial.arm[rows[0]] >= 0 else _STAYS_UNNAMED
            at[rows] = _forward_backward(emission[rows], share[q], stays)
        usual = (at.sum(axis=0) + 1) / (n + k + 1)
        share = np.array(
            [(at[rows].sum(axis=0) + _SHARE_PRIOR * usual) / (len(rows) + _SHARE_PRIOR) for rows in sequences]
        )
        alone = missed / emission[:, :k]
        missed = ((at[:, :k] * alone).sum(axis=0) + _MISSED_PRIOR[0]) / (at[:, :k].sum(axis=0) + _MISSED_PRIOR[1])
        missed = np.minimum(missed, _MOST_MISSED)
    return _rows(trial, at[:, :k], at[:, :k] * (1 - alone))


def _says(partner: Floats) -> Floats:
    """What a record's chance of a partner says for the station: its odds against those of the whole file."""
    usual = np.clip(partner.mean(axis=0), 0.02, 0.98)
    odds = partner / np.maximum(1 - partner, 1e-6)
    return np.asarray(np.clip(odds * (1 - usual) / usual, 0.0, _MOST_ODDS))


def _forward_backward(emission: Floats, share: Floats, stays: float) -> Floats:
    """Posterior of each state at each record: with the chance `stays` the state is as before, else drawn from `share`."""
    n = len(emission)
    ahead, behind = np.empty_like(emission), np.ones_like(emission)
    state = share
    for i in range(n):
        state = emission[i] * (stays * state + (1 - stays) * share if i else share)
        state = state / state.sum()
        ahead[i] = state
    for i in range(n - 2, -1, -1):
        after = emission[i + 1] * behind[i + 1]
        back = stays * after + (1 - stays) * float(after @ share)
        behind[i] = back / back.sum()
    both = ahead * behind
    return np.asarray(both / both.sum(axis=1, keepdims=True))


def _rows(trial: _Trial, at: Floats, claimed: Floats) -> pl.DataFrame:
    n, k = at.shape
    return pl.DataFrame(
        {
            "sighting_id": np.repeat(np.array(trial.ids, dtype=object), k).tolist(),
            "station": list(trial.stations) * n,
            "probability": at.ravel().round(6),
            "claimed": claimed.ravel().round(6),
        },
        schema=_TOLD,
    )
