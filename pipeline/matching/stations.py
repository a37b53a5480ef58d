"""Where a roaming tracker stood: the station whose other trackers saw the same session, if one is clearly best."""

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipeline.matching.arrays import PolarsType
from pipeline.matching.calibrating import fit_days
from pipeline.matching.records import streams_of, take_records, units_of
from pipeline.matching.tables import STATION_FINDS

_BLOCK = ("venue", "baseball_day", "tracker", "file_id", "native_session")
# evidence that another station, or none, must fall short by (natural log): a fit can flatter itself on a few pitches
_MARGIN, _LEAST_PROBABILITY, _LEAST_MATCHED = 3.0, 0.95, 3.0


def locate_roamers(
    sightings: pl.DataFrame, stations: Mapping[str, tuple[str, ...]]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """(sightings with the stations that were found, station_finds); a whole native session of a file goes to one station or to none."""
    lost = sightings.filter(
        pl.col("station").is_null() & pl.col("tracker").is_in([t for t, allowed in stations.items() if allowed])
    )
    if lost.is_empty():
        return sightings, pl.DataFrame(schema=STATION_FINDS)
    found = _best(_trials(sightings, lost, stations))
    finds = (
        lost.join(found, on=_BLOCK, how="inner", nulls_equal=True)
        .select("sighting_id", pl.col("found").alias("station"), "probability")
        .sort("sighting_id")
    )
    located = sightings.join(
        finds.rename({"station": "found"}).drop("probability"), on="sighting_id", how="left", maintain_order="left"
    )
    station_by = (
        pl.when(pl.col("station").is_null() & pl.col("found").is_not_null())
        .then(pl.lit("matching"))
        .otherwise("station_by")
    )
    return located.with_columns(station_by.alias("station_by"), pl.coalesce("station", "found").alias("station")).drop(
        "found"
    ), finds


def _trials(sightings: pl.DataFrame, lost: pl.DataFrame, stations: Mapping[str, tuple[str, ...]]) -> pl.DataFrame:
    """Each block laid at each of its possible stations beside what the others saw there: block, station, log evidence, matched."""
    blocks = lost.select(_BLOCK).unique().sort(_BLOCK)
    schema: dict[str, PolarsType] = {
        **{c: lost.schema[c] for c in _BLOCK},
        "found": pl.String,
        "evidence": pl.Float64,
        "matched": pl.Float64,
    }
    staged = []
    for number, block in enumerate(blocks.iter_rows(named=True)):
        mine = lost.filter(pl.all_horizontal(pl.col(c).eq_missing(pl.lit(v)) for c, v in block.items()))
        for station in stations[block["tracker"]]:
            here = (
                (pl.col("station") == station)
                & (pl.col("venue") == block["venue"])
                & (pl.col("baseball_day") == block["baseball_day"])
            )
            others = sightings.filter(here & (pl.col("tracker") != block["tracker"]))
            if len(others):
                staged.append((block, station, f"{number}\t{station}", pl.concat([mine, others])))
    if not staged:
        return pl.DataFrame(schema=schema)
    together = pl.concat([frame.with_columns(pl.lit(name).alias("station")) for _, _, name, frame in staged])
    outcome = _evidence(together)
    rows = [(*block.values(), station, *outcome[(name, block["tracker"])]) for block, station, name, _ in staged]
    return pl.DataFrame(rows, schema=schema, orient="row")


def _evidence(together: pl.DataFrame) -> dict[tuple[str, str], tuple[float, float]]:
    """(staged station, tracker) -> (best log evidence that some other tracker saw the same session, pitches matched in it)."""
    records = take_records(together)
    units = units_of(streams_of(records))
    fit = fit_days(records, units).fit
    matched = np.bincount(fit.cells.unit, fit.cells.posterior, len(units))
    station = records.frame["station"].to_list()
    best: dict[tuple[str, str], tuple[float, float]] = {}
    for u, unit in enumerate(units):
        for tracker in unit.trackers:
            key = (station[int(unit.first.rows[0])], records.trackers[tracker])
            best[key] = max(best.get(key, (-30.0, 0.0)), (float(fit.log_evidence[u]), float(matched[u])))
    return best


def _best(trials: pl.DataFrame) -> pl.DataFrame:
    """The station of each block that is clearly likelier than every other and than none."""
    beyond = (pl.col("evidence") - _MARGIN).clip(-50, 600)
    top = pl.max_horizontal(beyond.max().over(_BLOCK), pl.lit(0.0))
    odds = (beyond - top).exp()
    scored = trials.with_columns((odds / (odds.sum().over(_BLOCK) + (-top).exp())).round(6).alias("probability"))
    clear = scored.filter((pl.col("probability") >= _LEAST_PROBABILITY) & (pl.col("matched") >= _LEAST_MATCHED))
    return clear.select(*_BLOCK, "found", "probability")
