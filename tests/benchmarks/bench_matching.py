"""Measure matching methods on simulated seasons with truth, one scenario after another, in one process.

    python -m tests.benchmarks.bench_matching --seeds 20                     the standard worlds: each fault alone, and all together
    python -m tests.benchmarks.bench_matching --seeds 5 --worlds other       worlds that the matching was not tuned for
    python -m tests.benchmarks.bench_matching --seeds 3 --worlds roaming --methods ours   an instrumented ball in two pens
    python -m tests.benchmarks.bench_matching --seeds 3 --worlds rough --methods ours     another make: few metrics, odd files
    python -m tests.benchmarks.bench_matching --seeds 3 --worlds open --methods ours      real pitches (see tests/test_open_pitches.py)
    python -m tests.benchmarks.bench_matching --seeds 2 --methods ours --growth

Methods: nearest time (polars join_asof), the same after removing the median offset, DuckDB's NEAREST BY on time and readings, one-to-one
assignment (scipy), probabilistic record linkage (splink; skipped with a message where it is not installed, see
tests/benchmarks/requirements.lock), and ours. The baselines get the same frames, one pair of files at a time, and the season's spread of
each reading. No method sees the truth.
"""

import argparse
import importlib.util
import logging
import time
import warnings
from collections.abc import Callable, Iterator
from itertools import combinations
from typing import NamedTuple

import duckdb
import numpy as np
import polars as pl

from pipeline.matching import Matched, MatchSettings, match_sightings
from tests.simulator.matching_scores import LabelScore, Score, clock_errors, label_score, score
from tests.simulator.matching_season import Season, simulate
from tests.simulator.matching_world import NOISE, OTHER_WORLDS, ROAMING_WORLDS, SCENARIOS, world
from tests.simulator.open_season import OPEN_WORLDS, simulate_open
from tests.simulator.rough_season import ROUGH_WORLDS, rough_world, simulate_rough

RANKS = {"radar": 1, "camera": 2, "portable": 3}
UNDECIDED = pl.DataFrame(schema=dict.fromkeys(("kind", "tracker", "subject", "object"), pl.String))
PAIRS = {"sighting_a": pl.String, "sighting_b": pl.String, "probability": pl.Float64, "merged": pl.Boolean}
_READINGS = [m for m in NOISE if m not in ("exit_velocity_mph", "launch_angle_deg", "plate_speed_mph")]


class Outcome(NamedTuple):
    """Pairs with a probability (1 where a method has none), CPU seconds, clock errors (s), bias errors in spreads of the readings."""

    pairs: pl.DataFrame
    seconds: float
    clock_errors: np.ndarray
    bias_errors: np.ndarray
    roaming: np.ndarray | None = None
    labels: LabelScore | None = None


def ours(season: Season) -> Outcome:
    """Match the season with the pipeline."""
    start = time.process_time()
    matched = match_season(season)
    seconds = time.process_time() - start
    return Outcome(
        matched.match_pairs,
        seconds,
        clock_errors(matched.clocks, season.clocks, {}) if len(season.clocks) else np.zeros(0),
        _bias_errors(season, matched.calibration) if len(season.bias) else np.zeros(0),
        roaming_counts(season, matched),
        label_score(matched.label_runs, season.truth, season.sightings),
    )


def simulated(name: str, seed: int) -> Season:
    """Simulate a season of a world of any make."""
    if name in OPEN_WORLDS:
        return simulate_open(name, seed)
    return simulate_rough(rough_world(name), seed) if name in ROUGH_WORLDS else simulate(world(name), seed)


def match_season(season: Season) -> Matched:
    """Match a season; a tracker whose log names no station may have been at either mound of the venue."""
    roaming = season.sightings.filter(pl.col("station").is_null())["tracker"].unique().to_list()
    stations = dict.fromkeys(roaming, ("pen_1", "pen_2"))
    return match_sightings(season.sightings, RANKS, MatchSettings(), stations, UNDECIDED)


def roaming_counts(season: Season, matched: Matched) -> np.ndarray:
    """Count a roaming tracker's throws by mound, and throws that became more than one pitch.

    Returns: placed at the right mound, at the wrong one, of these above 0.9, expected at the wrong one; throws, counted more than once,
    counted more than once without a doubt (every pitch above 0.9).
    """
    lost = season.sightings.filter(pl.col("station").is_null())
    thrown = season.truth.filter(pl.col("throw").is_not_null())
    found = lost.select("sighting_id").join(thrown, on="sighting_id").join(matched.station_finds, on="sighting_id")
    wrong = found.filter(pl.col("station") != pl.col("true_station"))
    throws = (
        thrown.join(matched.matches, on="sighting_id")
        .group_by("throw")
        .agg(pl.col("group_id").n_unique().alias("times"), pl.col("match_probability").min().alias("surely"))
    )
    twice = throws.filter(pl.col("times") > 1)
    sure, expected = (wrong["probability"] > 0.9).sum(), (1 - found["probability"]).sum()
    return np.array(
        [len(found) - len(wrong), len(wrong), sure, expected, len(throws), len(twice), (twice["surely"] > 0.9).sum()],
        dtype=float,
    )


def _bias_errors(season: Season, calibration: pl.DataFrame) -> np.ndarray:
    """Return the mean error of the season's bias by pair and metric, in standard deviations of the metric's readings."""
    sessions = season.sightings.select(
        "tracker", "baseball_day", pl.col("native_session").str.split("-").list.last().cast(pl.Int64).alias("session")
    ).unique()
    true = season.bias.join(sessions, on=["tracker", "session"]).select("tracker", "baseball_day", "metric", "bias")
    both = calibration.join(
        true.rename({"tracker": "tracker_a", "bias": "bias_a"}), on=["tracker_a", "baseball_day", "metric"]
    )
    both = both.join(
        true.rename({"tracker": "tracker_b", "bias": "bias_b"}), on=["tracker_b", "baseball_day", "metric"]
    )
    both = both.filter(pl.col("metric").is_in(_READINGS) & (pl.col("n") >= 10))
    spread = season.sightings.select(pl.col(_READINGS).std()).unpivot(variable_name="metric", value_name="sd")
    error = (pl.col("bias") - pl.col("bias_b") + pl.col("bias_a")) / pl.col("sd")
    mean = (
        both.join(spread, on="metric")
        .group_by("tracker_a", "tracker_b", "metric")
        .agg(((error * pl.col("n")).sum() / pl.col("n").sum()).abs().alias("error"))
    )
    return mean["error"].drop_nulls().to_numpy()


def _file_pairs(season: Season) -> Iterator[tuple[pl.DataFrame, pl.DataFrame]]:
    """Yield the files of two trackers of one session, better rank first.

    A file without a clock gets its order times the usual gap as its time.
    """
    base = season.sightings.with_columns(
        pl.coalesce(
            pl.col("thrown_at").dt.epoch("us") / 1e6 + pl.col("clock_resolution_s") / 2, pl.col("file_order") * 20.0
        ).alias("time_s")
    )
    by_tracker = {
        name: frame.partition_by("file_id", as_dict=True)
        for (name,), frame in base.partition_by("tracker", as_dict=True).items()
    }
    for a, b in combinations(sorted(by_tracker, key=lambda t: RANKS[t]), 2):
        second = {key[0].split("-")[1]: frame for key, frame in by_tracker[b].items()}
        for key, frame in by_tracker[a].items():
            other = second.get(key[0].split("-")[1])
            if other is not None:
                yield frame.sort("time_s"), other.sort("time_s")


def _stack(rows: list[pl.DataFrame]) -> pl.DataFrame:
    frames = [r.select(pl.col(c).cast(t) for c, t in PAIRS.items()) for r in rows if len(r)]
    return pl.concat(frames) if frames else pl.DataFrame(schema=PAIRS)


def _timed(season: Season, method: Callable[[pl.DataFrame, pl.DataFrame], pl.DataFrame]) -> Outcome:
    start = time.process_time()
    pairs = _stack([method(a, b) for a, b in _file_pairs(season)])
    return Outcome(pairs, time.process_time() - start, np.zeros(0), np.zeros(0))


def _certain_pairs(a: pl.Series, b: pl.Series) -> pl.DataFrame:
    return pl.DataFrame({"sighting_a": a, "sighting_b": b}).with_columns(
        pl.lit(1.0).alias("probability"), pl.lit(True).alias("merged")
    )


def nearest_time(season: Season) -> Outcome:
    """Match each record to the nearest in time, up to 10 s."""
    return _timed(season, lambda a, b: _nearest(a, b, 0.0))


def nearest_after_offset(season: Season) -> Outcome:
    """Match to the nearest in time after removing the median offset."""
    return _timed(season, lambda a, b: _nearest(a, b, _median_offset(a, b)))


def _median_offset(a: pl.DataFrame, b: pl.DataFrame) -> float:
    """Return the commonest gap of all pairs (2 s bins), refined by the median gap to the nearest record: a good clock for a baseline."""
    gaps = (b["time_s"].to_numpy()[None, :] - a["time_s"].to_numpy()[:, None]).ravel()
    bins, counts = np.unique(np.round(gaps / 2.0), return_counts=True)
    rough = 2.0 * float(bins[counts.argmax()])
    left = a.select((pl.col("time_s") + rough).alias("time_s")).sort("time_s")
    near = left.join_asof(
        b.select("time_s", pl.col("time_s").alias("other")), on="time_s", strategy="nearest", tolerance=5.0
    ).drop_nulls("other")
    return rough + float((near["other"] - near["time_s"]).median() or 0.0)


def _nearest(a: pl.DataFrame, b: pl.DataFrame, offset_s: float) -> pl.DataFrame:
    left = a.select("sighting_id", (pl.col("time_s") + offset_s).alias("time_s")).sort("time_s")
    right = b.select(pl.col("sighting_id").alias("other"), "time_s", pl.col("time_s").alias("other_time_s")).sort(
        "time_s"
    )
    found = left.join_asof(right, on="time_s", strategy="nearest", tolerance=10.0).drop_nulls("other")
    found = found.sort((pl.col("time_s") - pl.col("other_time_s")).abs()).unique(
        "other", keep="first", maintain_order=True
    )
    return _certain_pairs(found["sighting_id"], found["other"])


def _scaled(a: pl.DataFrame, b: pl.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return the readings less their medians, in spreads; missing ones are 0."""
    out = []
    pooled = pl.concat([a.select(_READINGS), b.select(_READINGS)])
    for frame in (a, b):
        columns = [
            ((frame[m] - frame[m].median()) / (pooled[m].std() or 1.0)).fill_null(0.0)
            if frame[m].count()
            else pl.zeros(len(frame), eager=True)
            for m in _READINGS
        ]
        out.append(np.column_stack([c.to_numpy() for c in columns]))
    return out[0], out[1]


def duckdb_nearest_by(season: Season) -> Outcome:
    """Match with DuckDB's NEAREST BY on scaled readings and time."""
    con = duckdb.connect()
    outcome = _timed(season, lambda a, b: _nearest_by(con, a, b))
    con.close()
    return outcome


def _nearest_by(con: duckdb.DuckDBPyConnection, a: pl.DataFrame, b: pl.DataFrame) -> pl.DataFrame:
    first, second = _scaled(a, b)
    offset = _median_offset(a, b)
    names = [f"r{k}" for k in range(len(_READINGS))]
    left = a.select("sighting_id", "time_s").with_columns(pl.Series(n, first[:, k]) for k, n in enumerate(names))
    right = b.select("sighting_id", pl.col("time_s") - offset).with_columns(
        pl.Series(n, second[:, k]) for k, n in enumerate(names)
    )
    con.register("seen_by_first", left)
    con.register("seen_by_second", right)
    distance = " + ".join([f"(f.{n} - s.{n}) ** 2" for n in names] + ["((f.time_s - s.time_s) / 10) ** 2"])
    found = con.sql(
        f"select f.sighting_id as a, s.sighting_id as b, {distance} as d from seen_by_first f join seen_by_second s nearest by distance {distance}"
    ).pl()
    found = found.filter(pl.col("d") < 12).sort("d").unique("b", keep="first", maintain_order=True)
    return _certain_pairs(found["a"], found["b"])


def assignment(season: Season) -> Outcome:
    """Match one to one with the least total distance of scaled readings and time."""
    return _timed(season, _assigned)


def _assigned(a: pl.DataFrame, b: pl.DataFrame) -> pl.DataFrame:
    from scipy.optimize import linear_sum_assignment

    first, second = _scaled(a, b)
    gap = (b["time_s"].to_numpy()[None, :] - a["time_s"].to_numpy()[:, None] - _median_offset(a, b)) / 10
    cost = ((first[:, None, :] - second[None, :, :]) ** 2).sum(axis=2) + np.minimum(gap**2, 12)
    row, column = linear_sum_assignment(np.minimum(cost, 12.0))
    keep = cost[row, column] < 12.0
    return _certain_pairs(a["sighting_id"].gather(row[keep]), b["sighting_id"].gather(column[keep]))


def record_linkage(season: Season) -> Outcome:
    """Link with splink: levels of speed, spin, breaks, release, plate and label, within 20 s after the median offset, one to one."""
    start = time.process_time()
    pairs = _stack([_linked(a, b) for a, b in _tracker_pairs(season)])
    return Outcome(pairs, time.process_time() - start, np.zeros(0), np.zeros(0))


def _tracker_pairs(season: Season) -> Iterator[tuple[pl.DataFrame, pl.DataFrame]]:
    """Yield the season of each pair of trackers, without the offset of each file and without bias (medians)."""
    parts: dict[tuple[str, str], list[tuple[pl.DataFrame, pl.DataFrame]]] = {}
    for a, b in _file_pairs(season):
        offset = _median_offset(a, b)
        first, second = _scaled(a, b)
        scaled = [
            frame.select(
                "sighting_id", (pl.col("time_s") - shift).alias("time_s"), "baseball_day", "pitcher_label", "pitch_type"
            ).with_columns(pl.Series(m, values[:, k]) for k, m in enumerate(_READINGS))
            for frame, shift, values in ((a, 0.0, first), (b, offset, second))
        ]
        parts.setdefault((a["tracker"][0], b["tracker"][0]), []).append((scaled[0], scaled[1]))
    for files in parts.values():
        yield pl.concat([f[0] for f in files]), pl.concat([f[1] for f in files])


def _linked(a: pl.DataFrame, b: pl.DataFrame) -> pl.DataFrame:
    import splink.comparison_library as cl
    from splink import DuckDBAPI, Linker, SettingsCreator, block_on

    readings = [m for m in _READINGS if a[m].std() and b[m].std()]
    settings = SettingsCreator(
        link_type="link_only",
        unique_id_column_name="sighting_id",
        comparisons=[
            *(_levels(m, [0.15, 0.4, 1.0]) for m in readings),
            _levels("time_s", [1.5, 5.0, 20.0]),
            cl.ExactMatch("pitcher_label"),
            cl.ExactMatch("pitch_type"),
        ],
        blocking_rules_to_generate_predictions=["l.baseball_day = r.baseball_day and abs(l.time_s - r.time_s) < 60"],
    )
    api = DuckDBAPI()
    tables = [api.register(f.to_arrow(), dataset_display_name=name) for name, f in (("first", a), ("second", b))]
    linker = Linker(tables, settings, log_level=40)
    linker.training.estimate_u_using_random_sampling(max_pairs=2e5)
    linker.training.estimate_parameters_using_expectation_maximisation(
        block_on("baseball_day"), fix_u_probabilities=True
    )
    found = pl.from_arrow(linker.inference.predict(threshold_match_probability=0.02).as_pyarrow_table())
    assert isinstance(found, pl.DataFrame)
    found = found.rename(
        {"sighting_id_l": "sighting_a", "sighting_id_r": "sighting_b", "match_probability": "probability"}
    ).sort("probability", descending=True)
    merged = (
        found.filter(pl.col("probability") > 0.5)
        .unique("sighting_a", keep="first", maintain_order=True)
        .unique("sighting_b", keep="first", maintain_order=True)
    )
    return merged.with_columns(pl.lit(True).alias("merged"))


def _levels(column: str, steps: list[float]) -> dict[str, object]:
    """Return comparison levels: steps of the absolute difference."""
    levels = [
        {
            "sql_condition": f'"{column}_l" is null or "{column}_r" is null',
            "label_for_charts": "missing",
            "is_null_level": True,
        }
    ]
    levels += [
        {"sql_condition": f'abs("{column}_l" - "{column}_r") <= {s}', "label_for_charts": f"within {s}"} for s in steps
    ]
    return {
        "output_column_name": column,
        "comparison_levels": [*levels, {"sql_condition": "else", "label_for_charts": "other"}],
    }


METHODS: dict[str, Callable[[Season], Outcome]] = {
    "nearest time": nearest_time,
    "nearest after offset": nearest_after_offset,
    "duckdb nearest by": duckdb_nearest_by,
    "assignment": assignment,
    "record linkage": record_linkage,
    "ours": ours,
}


def score_line(name: str, method: str, scores: list[Score], outcomes: list[Outcome]) -> str:
    weight = np.array([s.pairs for s in scores], dtype=float)
    mean = dict(
        zip(Score._fields, (np.array(scores, dtype=float) * weight[:, None]).sum(axis=0) / weight.sum(), strict=True)
    )
    clock = np.concatenate([o.clock_errors for o in outcomes])
    bias = np.concatenate([o.bias_errors for o in outcomes])
    seconds = 1000 * sum(o.seconds for o in outcomes) / weight.sum()
    clock_words = f"{np.median(clock):5.2f} {np.quantile(clock, 0.95):5.2f}" if len(clock) else "    -     -"
    bias_words = f"{np.mean(bias):.3f}" if len(bias) else "    -"
    return (
        f"{name:30s} {method:21s} {weight.sum():7.0f} {mean['precision_at_05']:.4f} {mean['recall_at_05']:.4f} {mean['f1_at_05']:.4f} "
        f"{mean['recall_at_09']:.4f} {mean['wrong_at_09']:7.0f} {mean['brier']:.4f} {mean['calibration_error']:.4f} {clock_words} {bias_words} {seconds:7.3f}"
    )


def roaming_line(counts: list[np.ndarray]) -> str:
    right, wrong, sure, expected, throws, twice, surely = np.sum(counts, axis=0)
    return (
        f"{'':8s}own mound {right:.0f}, other {wrong:.0f} ({sure:.0f} above 0.9; {expected:.1f} expected); "
        f"throws counted twice {twice:.0f} of {throws:.0f} ({surely:.0f} without a doubt)"
    )


def labels_line(scores: list[LabelScore]) -> str:
    """Return one line: how many proposals were right, and how many stale labels with a right one beside them were found."""
    t = LabelScore(*(round(total) for total in np.sum(scores, axis=0).tolist()))
    return (
        f"{'':8s}stale labels: of {t.proposed} proposed {t.right} right ({t.right / max(t.proposed, 1):.3f}), {t.misnamed} another pitcher, "
        f"{t.questioned} labels that were right ({t.wrong_side} with the other tracker's label wrong); "
        f"found {t.found} of {t.findable} ({t.found / max(t.findable, 1):.3f}); "
        f"runs: of {t.runs} {t.right_runs} right ({t.expected_runs} expected), {t.wrong_side_runs} of the wrong tracker; found {t.found_runs} of {t.findable_runs}"
    )


HEAD = (
    f"{'scenario':30s} {'method':21s} {'pairs':>7s} {'prec.5':6s} {'rec.5':6s} {'F1.5':6s} {'rec.9':6s} {'wrong.9':>7s} {'Brier':6s} {'calib.':6s} "
    f"{'clock50':>5s} {'95':>3s} {'bias':5s} {'s/1000':>7s}"
)


def growth() -> None:
    """Print CPU seconds per 1,000 pitches of a pair for longer and longer seasons: the cost is linear if they stay the same."""
    base = world("clean")
    for times in (1, 2, 4, 8):
        season = simulate(base.__class__(base.devices, base.sessions * times), 1)
        outcome, pairs = ours(season), score(pl.DataFrame(schema=PAIRS), season.truth, season.sightings).pairs
        print(
            f"sessions {14 * times:4d} pairs {pairs:6d} CPU s per 1,000: {1000 * outcome.seconds / pairs:.3f}",
            flush=True,
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--first-seed", type=int, default=1000)
    parser.add_argument("--worlds", choices=("standard", "other", "roaming", "rough", "open"), default="standard")
    parser.add_argument("--scenarios", nargs="*", help="only these, in this order")
    parser.add_argument("--methods", nargs="*", default=list(METHODS))
    parser.add_argument("--linkage-seeds", type=int, default=1, help="seeds that record linkage (20 s a season) gets")
    parser.add_argument("--growth", action="store_true")
    options = parser.parse_args()
    warnings.simplefilter("ignore")
    logging.getLogger("splink").setLevel(logging.ERROR)
    methods = {name: METHODS[name] for name in options.methods}
    if "record linkage" in methods and importlib.util.find_spec("splink") is None:
        print("record linkage: splink is not installed (pip install -r tests/benchmarks/requirements.lock); skipped")
        methods.pop("record linkage")
    # Imports and first calls are not counted.
    ours(simulate(world("one night"), 0))
    print(HEAD, flush=True)
    for name in (
        options.scenarios
        or {
            "standard": SCENARIOS,
            "other": OTHER_WORLDS,
            "roaming": ROAMING_WORLDS,
            "rough": ROUGH_WORLDS,
            "open": OPEN_WORLDS,
        }[options.worlds]
    ):
        scores: dict[str, list[Score]] = {m: [] for m in methods}
        outcomes: dict[str, list[Outcome]] = {m: [] for m in methods}
        for seed in range(options.first_seed, options.first_seed + options.seeds):
            season = simulated(name, seed)
            for method, run in methods.items():
                if method == "record linkage" and seed >= options.first_seed + options.linkage_seeds:
                    continue
                outcome = run(season)
                outcomes[method].append(outcome)
                scores[method].append(score(outcome.pairs, season.truth, season.sightings))
        for method in methods:
            print(score_line(name, method, scores[method], outcomes[method]), flush=True)
            if name in ROAMING_WORLDS and outcomes[method][0].roaming is not None:
                print(roaming_line([o.roaming for o in outcomes[method] if o.roaming is not None]), flush=True)
            label_scores = [o.labels for o in outcomes[method] if o.labels is not None]
            if sum(labels.proposed for labels in label_scores):
                print(labels_line(label_scores), flush=True)
    if options.growth:
        growth()


if __name__ == "__main__":
    main()
