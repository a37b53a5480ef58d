"""Find the station of each record of a roaming tracker: where other trackers saw the same pitches.

A log that names no station may hold one session, several in turn, or those of two mounds at once (two instrumented balls under one name).
Each file is aligned with what other trackers saw at each of its possible stations (`_partner_chances`): that gives the chance that a
record has its partner there. From these chances and the pitcher that each record names, a hidden Markov model over the records of each
pitcher (`_station_probabilities`; forward-backward as in Rabiner, 1989, from memory) gives the station: one of those, or a place where
no other tracker watched. Nights without such a log skip all this.
"""

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.matching.alignment.bands import Cells
from pipeline.matching.data.arrays import Bools, Floats, Ints
from pipeline.matching.data.days import build_days
from pipeline.matching.data.records import Records, build_records, pitcher_key
from pipeline.matching.fit import fit_days
from pipeline.matching.pitches.tables import STATION_FINDS

# Log evidence, in nats, that a station needs against no common session, beyond the log of the number of trials; a guess, no source.
_MARGIN = 3.0
# Expected matched records that a station needs; a guess, no source.
_LEAST_MATCHED = 3.0
# A record is placed at a station that is likelier than not.
_PLACED = 0.5
# A record with a partner this likely at one station is left out of the trials at the other stations ...
_SETTLED = 0.9
# ... which are then repeated at most this often: fitted to the benchmark worlds "roaming ball ...".
_REPEATS = 3
# Steps of expectation-maximization for a file's stations; it has settled by then.
_STEPS = 6
# Chance that a pitcher's next record is from the same station; a guess, no source.
_STAYS = 0.7
# The same for records without a pitcher, which may be anyone's; a guess, no source.
_STAYS_UNNAMED = 0.5
# Pseudo-records by which one pitcher's station shares are drawn to those of all pitchers; a guess, no source.
_SHARE_RECORDS = 1.0
# Prior share of records without a partner where they were thrown, and the pseudo-records that it counts for: (1, 10); a guess, no source.
_MISSED = 1.0
_MISSED_RECORDS = 10.0
# Highest share of records without a partner: with more, a station looks like one where half of the pitches were thrown; a guess, no source.
_MISSED_CAP = 0.15
# Highest odds of one record for or against a station; a guess, no source.
_ODDS_CAP = 1e2
_FILE = ("venue", "baseball_day", "tracker", "file_id", "native_session")
_CLAIMED = {"sighting_id": pl.String, "claimed": pl.Float64}
_STATION_CHANCES = {**STATION_FINDS, "claimed": pl.Float64}


class Located(NamedTuple):
    """`sightings` with the stations found. `finds`: one row per sighting with a station found, and its probability.

    `claimed` (sighting_id, claimed): chance that the sighting has a partner at a station where it was not placed.
    """

    sightings: pl.DataFrame
    finds: pl.DataFrame
    claimed: pl.DataFrame


class _Trial(NamedTuple):
    """Records of one file (by its number) to align with what other trackers saw at one station."""

    file: int
    station: str
    records: pl.DataFrame


# (file, station) -> sighting id -> chance that the record has its partner there. A missing key means: no common session.
_PartnerChances = dict[tuple[int, str], dict[str, float]]


class _File(NamedTuple):
    """One file's records in order: ids, code of the pitcher that each names (-1: none), and (records, stations) partner chances."""

    ids: list[str]
    pitcher: Ints
    stations: tuple[str, ...]
    partner: Floats


def locate_roamers(sightings: pl.DataFrame, stations: Mapping[str, tuple[str, ...]]) -> Located:
    """Find a station for each record without one; `stations` names those where its tracker may be."""
    roaming = [tracker for tracker, allowed in stations.items() if allowed]
    lost = sightings.filter(pl.col("station").is_null() & pl.col("tracker").is_in(roaming))
    if lost.is_empty():
        return Located(sightings, pl.DataFrame(schema=STATION_FINDS), pl.DataFrame(schema=_CLAIMED))
    chances = _station_chances(sightings, lost, stations)
    finds = chances.filter(pl.col("probability") > _PLACED).select(list(STATION_FINDS)).sort("sighting_id")
    located = sightings.join(
        finds.select("sighting_id", found="station"), on="sighting_id", how="left", maintain_order="left"
    )
    is_found = pl.col("station").is_null() & pl.col("found").is_not_null()
    located = located.with_columns(
        pl.when(is_found).then(pl.lit("matching")).otherwise("station_by").alias("station_by"),
        pl.coalesce("station", "found").alias("station"),
    ).drop("found")
    elsewhere = chances.join(finds, on=["sighting_id", "station"], how="anti").group_by("sighting_id")
    claimed = elsewhere.agg(pl.col("claimed").sum().clip(0, 1).round(6)).sort("sighting_id")
    return Located(located, finds, claimed)


def limit_by_station(records: Records, cells: Cells, finds: pl.DataFrame) -> Cells:
    """Multiply each posterior by the probability that both records were thrown at the station."""
    if finds.is_empty():
        return cells
    known = records.frame.select("sighting_id").join(finds, on="sighting_id", how="left", maintain_order="left")
    probability = known["probability"].fill_null(1.0).to_numpy()
    return cells._replace(posterior=cells.posterior * probability[cells.first] * probability[cells.second])


def limit_by_other_stations(matches: pl.DataFrame, claimed: pl.DataFrame) -> pl.DataFrame:
    """Lower the probability of a single by the chance that its partner is at another station."""
    if claimed.is_empty():
        return matches
    joined = matches.join(claimed, on="sighting_id", how="left", maintain_order="left")
    alone = (pl.col("match_probability") * (1 - pl.col("claimed").fill_null(0.0))).round(6)
    probability = pl.when(pl.col("decided_by") == "single").then(alone).otherwise("match_probability")
    return joined.with_columns(probability.alias("match_probability")).drop("claimed")


def _station_chances(
    sightings: pl.DataFrame, lost: pl.DataFrame, stations: Mapping[str, tuple[str, ...]]
) -> pl.DataFrame:
    """Return the probability of each lost record at each station where its file has partners, and that of its partner there.

    Records whose partner is settled at one station would take others' partners at the next, so the trials repeat without them.
    """
    files = lost.sort("file_order", "sighting_id").partition_by(_FILE, maintain_order=True)
    files = sorted(files, key=lambda file: tuple(str(value) for value in file.select(_FILE).row(0)))
    first = [_Trial(n, station, file) for n, file in enumerate(files) for station in stations[file["tracker"][0]]]
    trials, found, changed = first, [pl.DataFrame(schema=_STATION_CHANCES)] * len(files), set(range(len(files)))
    for _ in range(1 + _REPEATS):
        chances = _partner_chances(sightings, [trial for trial in trials if trial.file in changed])
        for n in changed:
            found[n] = _station_probabilities(_file(files[n], n, chances))
        before, trials = trials, [_without_settled(trial, found[trial.file]) for trial in first]
        changed = {new.file for new, old in zip(trials, before, strict=True) if not new.records.equals(old.records)}
    return pl.concat([pl.DataFrame(schema=_STATION_CHANCES), *found])


def _without_settled(trial: _Trial, chances: pl.DataFrame) -> _Trial:
    """Drop the records whose partners are at another station."""
    elsewhere = chances.filter((pl.col("station") != trial.station) & (pl.col("claimed") > _SETTLED))
    return trial._replace(records=trial.records.join(elsewhere, on="sighting_id", how="anti", maintain_order="left"))


def _partner_chances(sightings: pl.DataFrame, trials: list[_Trial]) -> _PartnerChances:
    """Align each trial's records with the other trackers' at the station, and return each record's chance of a partner.

    Each trial runs twice: as one file, and with a file per pitcher, so that pitches of two mounds do not stand between each other.
    """
    staged: list[pl.DataFrame] = []
    by_name: dict[str, _Trial] = {}
    for trial in (*trials, *map(_by_pitcher, trials)):
        if trial.records.is_empty():
            continue
        venue, day, tracker = trial.records.select("venue", "baseball_day", "tracker").row(0)
        at_station = (pl.col("station") == trial.station) & (pl.col("venue") == venue) & (pl.col("baseball_day") == day)
        others = sightings.filter(at_station & (pl.col("tracker") != tracker))
        if len(others):
            # Each trial has a station of its own, so that no two of them are aligned.
            name = str(len(by_name))
            by_name[name] = trial
            staged.append(pl.concat([trial.records, others]).with_columns(pl.lit(name).alias("station")))
    return _align_trials(pl.concat(staged), by_name) if staged else {}


def _by_pitcher(trial: _Trial) -> _Trial:
    """Give each pitcher of the trial a file."""
    file = pl.format("{}\t{}", "file_id", pitcher_key().fill_null(""))
    return trial._replace(records=trial.records.with_columns(file.alias("file_id")))


def _align_trials(staged: pl.DataFrame, trials: Mapping[str, _Trial]) -> _PartnerChances:
    days = build_days(build_records(staged))
    records = days.records
    names, ids = records.frame["station"].to_list(), records.frame["sighting_id"].to_list()
    roamer = [trials[name].records["tracker"][0] for name in names]
    roams = np.array([t == r for t, r in zip(records.frame["tracker"].to_list(), roamer, strict=True)], dtype=bool)
    pairs = [roams[s.first.rows[0]] or roams[s.second.rows[0]] for s in days.stream_pairs]
    days = days.only(np.flatnonzero(pairs))
    fit = fit_days(days, second_round_for_all=True).fit
    name_of_pair = [names[int(streams.first.rows[0])] for streams in days.stream_pairs]
    # The best of several trials looks good by chance more easily.
    needed = _MARGIN + np.log([2 * name_of_pair.count(name) for name in name_of_pair])
    same_session = (fit.log_evidence > needed) & (fit.matched >= _LEAST_MATCHED)
    shown = {name_of_pair[p] for p in np.flatnonzero(same_session).tolist()}
    chance = _likeliest_partner(records, roams, fit.cells)
    chances: _PartnerChances = {}
    for row in np.flatnonzero(roams).tolist():
        if names[row] in shown:
            trial = trials[names[row]]
            known = chances.setdefault((trial.file, trial.station), {})
            known[ids[row]] = max(float(chance[row]), known.get(ids[row], 0.0))
    return chances


def _likeliest_partner(records: Records, roams: Bools, cells: Cells) -> Floats:
    """Return (records,) the chance that a roaming record has a partner, by the tracker most sure of it."""
    likeliest = np.zeros(len(roams))
    for own, other in ((cells.first, cells.second), (cells.second, cells.first)):
        roaming = np.flatnonzero(roams[own])
        key = own[roaming] * len(records.trackers) + records.tracker[other[roaming]]
        total = np.bincount(key, cells.posterior[roaming], len(roams) * len(records.trackers))
        likeliest = np.maximum(likeliest, total.reshape(len(roams), -1).max(axis=1))
    return np.minimum(likeliest, 1.0)


def _file(frame: pl.DataFrame, number: int, chances: _PartnerChances) -> _File:
    ids = frame["sighting_id"].to_list()
    stations = tuple(sorted(station for file, station in chances if file == number))
    partner = np.array([[chances[(number, station)].get(i, 0.0) for station in stations] for i in ids])
    pitcher = frame.select(pitcher_key().rank("dense").cast(pl.Int64).fill_null(0) - 1).to_series().to_numpy()
    return _File(ids, pitcher, stations, partner.reshape(len(ids), len(stations)))


def _station_probabilities(file: _File) -> pl.DataFrame:
    """Return the probability of each station for each record and of its partner there; learn shares and misses by EM."""
    n, k = file.partner.shape
    if not k:
        return pl.DataFrame(schema=_STATION_CHANCES)
    odds = _partner_odds(file.partner)
    missed = np.full(k, _MISSED / _MISSED_RECORDS)
    sequences = [np.flatnonzero(file.pitcher == code) for code in np.unique(file.pitcher).tolist()]
    # The last state is a place where no other tracker watched.
    share = np.full((len(sequences), k + 1), 1 / (k + 1))
    probability = np.zeros((n, k + 1))
    for _ in range(_STEPS):
        emission = np.concatenate([missed + (1 - missed) * odds, np.ones((n, 1))], axis=1)
        for q, rows in enumerate(sequences):
            stays = _STAYS if file.pitcher[rows[0]] >= 0 else _STAYS_UNNAMED
            probability[rows] = _forward_backward(emission[rows], share[q], stays)
        usual = (probability.sum(axis=0) + 1) / (n + k + 1)
        share = np.array(
            [
                (probability[rows].sum(axis=0) + _SHARE_RECORDS * usual) / (len(rows) + _SHARE_RECORDS)
                for rows in sequences
            ]
        )
        at_station = probability[:, :k]
        alone = missed / emission[:, :k]
        missed = ((at_station * alone).sum(axis=0) + _MISSED) / (at_station.sum(axis=0) + _MISSED_RECORDS)
        missed = np.minimum(missed, _MISSED_CAP)
    at_station = probability[:, :k]
    return pl.DataFrame(
        {
            "sighting_id": [sighting for sighting in file.ids for _ in range(k)],
            "station": list(file.stations) * n,
            "probability": at_station.ravel().round(6),
            "claimed": (at_station * (1 - alone)).ravel().round(6),
        },
        schema=_STATION_CHANCES,
    )


def _partner_odds(partner: Floats) -> Floats:
    """Return the odds of a record's partner at each station against those of the file's mean record."""
    usual = np.clip(partner.mean(axis=0), 0.02, 0.98)
    odds = partner / np.maximum(1 - partner, 1e-6)
    return np.asarray(np.clip(odds * (1 - usual) / usual, 0.0, _ODDS_CAP))


def _forward_backward(emission: Floats, share: Floats, stays: float) -> Floats:
    """Return the posterior of each state at each record.

    With the chance `stays` the state is that of the record before; otherwise it is drawn from `share`.
    """
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
