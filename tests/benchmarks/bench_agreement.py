"""How good and how fast the agreement tables are, on simulated seasons.

Run: python -m tests.benchmarks.bench_agreement Prints: coverage of the 95 % intervals, bias found against bias put in, dates of changes,
false alarms, aim; then the time and memory of all tables at 1,000,000 sightings against a plain group-by of the same differences (mean
and sd by night, no intervals) in the same run, and what one night more costs with the facts of the others kept.
"""

import resource
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import date, timedelta
from typing import TypeVar

import numpy as np
import polars as pl
from scipy.special import ndtr

from pipeline.agreement import NightFacts, Standards, agreement_of_nights, measure_nights, replace_nights
from pipeline.agreement.bias.limits import limits_of_agreement, split_by_night
from pipeline.agreement.bias.precision import own_errors, triple_moments
from pipeline.agreement.bias.regression import concordance, deming, intervals_of_line
from pipeline.agreement.device_setup.frame_equations import frame_equations
from pipeline.agreement.device_setup.frame_fit import fit_frames
from pipeline.agreement.drift.charts import between_night_sd
from pipeline.agreement.drift.outings import outing_spread
from pipeline.agreement.drift.own_history import watch_history
from pipeline.agreement.drift.pair_charts import Chart, rule_for, watch
from pipeline.agreement.facts.moments import night_moments
from schemas.exports import METRIC_SOURCES
from tests.simulator.agreement_world import TRUTH, Seen, Setup, outings, season, seen_through

Made = TypeVar("Made")
RUNS = 1000
ERROR_A, SPREAD = 0.3, 5.0


def coverage(
    rng: np.random.Generator, nights: int, between: float, sizes: Callable[[int], np.ndarray], bias: float = 0.5
) -> dict[str, float]:
    """Return the share of RUNS in which each 95 % interval holds the truth.

    b's own errors have SD 0.52, and its nights vary by `between`.
    """
    error_b = 0.52
    sd = np.sqrt(ERROR_A**2 + error_b**2 + between**2)
    truth = 2 * SPREAD**2 / (2 * SPREAD**2 + ERROR_A**2 + error_b**2 + between**2 + bias**2)
    covered = dict.fromkeys(("bias", "lower limit", "upper limit", "slope", "concordance"), 0.0)
    for _ in range(RUNS):
        night = np.repeat(np.arange(nights), sizes(nights))
        thrown = rng.normal(86, SPREAD, len(night))
        a = thrown + rng.normal(0, ERROR_A, len(night))
        b = thrown + bias + rng.normal(0, between, nights)[night] + rng.normal(0, error_b, len(night))
        moments = night_moments(a, b, night)
        limits, close = limits_of_agreement(split_by_night(moments)), concordance(moments)
        slope, _ = intervals_of_line(deming(moments, ERROR_A**2 / (error_b**2 + between**2)))
        covered["bias"] += limits.bias_low <= bias <= limits.bias_high
        covered["lower limit"] += limits.low_low <= bias - 1.96 * sd <= limits.low_high
        covered["upper limit"] += limits.high_low <= bias + 1.96 * sd <= limits.high_high
        covered["slope"] += slope.low <= 1 <= slope.high
        # not given for 2 to 4 nights
        covered["concordance"] += close.low <= truth <= close.high if np.isfinite(close.low) else np.nan
    return {name: float(np.ravel(count)[0]) / RUNS for name, count in covered.items()}


def show_coverage(rng: np.random.Generator) -> None:
    """Print coverage by number of nights, variation between nights, and night size.

    Nights have 40 pitches each, or 5 to 120.
    """
    allowed = 2 * np.sqrt(0.95 * 0.05 / RUNS)
    print(
        f"\nCoverage of 95 % intervals, {RUNS} seasons each (aim: 0.93 to 0.97; a figure scatters by {allowed / 2:.3f})"
    )
    figures = list[float]()
    print("nights  SD between  pitches a night      bias  lower limit  upper limit  slope  concordance")
    for nights in (1, 4, 10, 30):
        for between in (0.0, 0.2, 0.4) if nights > 1 else (0.0,):
            for words, sizes in (("40", lambda k: np.full(k, 40)), ("5 to 120", lambda k: rng.integers(5, 121, k))):
                found = coverage(rng, nights, between, sizes)
                print(f"{nights:6}  {between:6}  {words:15}", "".join(f"{value:12.3f}" for value in found.values()))
                figures += found.values()
    shares = np.array(figures)
    print(
        f"{np.mean((shares >= 0.93) & (shares <= 0.97)):.0%} of {len(shares)} figures lie in 0.93 to 0.97; "
        f"beyond it by more than two standard errors: {np.sum((shares < 0.93 - allowed) | (shares > 0.97 + allowed))}"
    )


def show_precision(rng: np.random.Generator) -> None:
    """Coverage of each tracker's own-error interval."""
    print(
        "\nOwn error of three trackers (sd 0.3, 0.4, 0.7, nights vary by 0.1): coverage of 95 % intervals, 40 pitches a night"
    )
    sd = np.array([0.3, 0.4, 0.7])
    for nights in (5, 10, 30):
        covered = np.zeros(3)
        for _ in range(RUNS):
            night = np.repeat(np.arange(nights), 40)
            readings = (
                rng.normal(86, SPREAD, len(night))[:, None]
                + rng.normal(0, 1, (len(night), 3)) * sd
                + rng.normal(0, 0.1, (nights, 3))[night]
            )
            found = own_errors(triple_moments(readings, night))
            covered += (found.low <= sd**2 + 0.01) & (sd**2 + 0.01 <= found.high)
        print(f"{nights:3} nights ({found.method}):", np.round(covered / RUNS, 3))


def show_bias(rng: np.random.Generator) -> None:
    """Bias put in and bias found, mean over seasons, in SDs of the difference."""
    print("\nBias recovered, mean of 300 seasons of 20 nights x 40 pitches (standard error 0.003 sd)")
    for bias in (0.0, 0.1, 0.5, 1.0, 2.0):
        found = []
        for _ in range(300):
            a = rng.normal(86, SPREAD, 800)
            split = split_by_night(night_moments(a, a + bias + rng.normal(0, 1, 800), np.repeat(np.arange(20), 40)))
            found.append(float(split.bias[0]))
        print(f"put in {bias:.1f} sd, found {np.mean(found):+.4f} sd")


def _chart(rng: np.random.Generator, nights: int, shift: float, at: int) -> Chart:
    n = rng.integers(15, 121, nights)
    se = 0.5 / np.sqrt(n)
    sd = np.sqrt(se**2 + 0.08**2)
    center = rng.normal(0, sd)
    center[at:] += shift * np.median(sd)
    days = [date(2026, 2, 13) + timedelta(days=night) for night in range(nights)]
    return Chart("a", "b", "release_speed_mph", days, n, center, se, between_night_sd(center, se))


def dates_with_known_levels(charts: list[Chart], shift: float, at: int) -> tuple[float, float]:
    """Return how often estimators that know both levels date within 2 nights.

    They also know every night's SD and that there is one change. First by maximum likelihood, then by the five nights of most posterior
    weight: with every night as likely as any other, no estimator is within 2 nights more often than that.
    """
    sd = np.array([np.sqrt((0.5 / np.sqrt(chart.n)) ** 2 + 0.08**2) for chart in charts])
    size = shift * np.median(sd, axis=1, keepdims=True)
    gain = (size * np.array([chart.center for chart in charts]) - size**2 / 2) / sd**2
    log_likelihood = np.cumsum(gain[:, ::-1], axis=1)[:, ::-1]
    posterior = np.exp(log_likelihood - log_likelihood.max(axis=1, keepdims=True))
    window = np.lib.stride_tricks.sliding_window_view(posterior, 5, axis=1).sum(axis=2).argmax(axis=1) + 2
    shares, bound = (np.mean(np.abs(found - at) <= 2) for found in (log_likelihood.argmax(axis=1), window))
    return float(shares), float(bound)


def show_charts(rng: np.random.Generator) -> None:
    """False alarms of undisturbed charts; dates and delays of changes."""
    print(
        "\nControl charts: undisturbed, false alarms over what is stated (alarms a night until the first, and their standard error)"
    )
    for run_length, many, nights in ((300.0, 600, 1500), (7200.0, 1500, 600)):
        rule, alarms, watched = rule_for(run_length), 0, 0
        for _ in range(many):
            first = [stretch.alarmed for stretch in watch(_chart(rng, nights, 0.0, 0), rule).stretches if stretch.alarmed is not None]  # fmt: skip
            alarms, watched = alarms + bool(first), watched + (first[0] + 1 if first else nights)
        rate = run_length * alarms / watched
        print(f"one in {run_length:,.0f} nights stated: {rate:.2f} +- {rate / np.sqrt(max(alarms, 1)):.2f} of it ({alarms} alarms)")  # fmt: skip
    rule = rule_for(200.0 * 36)
    print("\nChange after 60 of 120 nights, limits for a family of 36 charts (one false alarm in 200 nights over all)")
    print(
        "within 2 nights: ours; of an estimator that knows both levels (maximum likelihood); the most that any can reach"
    )
    print("shift (SD of a night)  found  median miss of date  within 2 nights  interval holds it  median delay, nights")
    for shift in (1.0, 1.5, 2.0, 3.0):
        seen = [_chart(rng, 120, shift, 60) for _ in range(400)]
        shares, bound = dates_with_known_levels([_chart(rng, 120, shift, 60) for _ in range(4000)], shift, 60)
        charts = [watch(chart, rule).stretches for chart in seen]
        found = [stretches[1] for stretches in charts if len(stretches) > 1]
        miss = np.abs([stretch.start - 60 for stretch in found])
        holds = np.mean([stretch.first <= 60 <= stretch.last for stretch in found])
        delay = np.median([stretch.alarmed - 59 for stretch in found if stretch.alarmed is not None])
        print(
            f"{shift:21}  {len(found) / 400:5.0%}  {np.median(miss):19.0f}  {np.mean(miss <= 2):5.0%} {shares:4.0%} {bound:4.0%}  {holds:17.0%}  {delay:20.0f}"
        )


def show_short_baseline(rng: np.random.Generator) -> None:
    """A large step soon after the first nights: what a season's start needs."""
    print(
        "\nStep of 8 SD of a night after few nights, same limits: share found within 3 nights, and false alarms before the step"
    )
    rule = rule_for(200.0 * 36)
    for before in (4, 5, 8, 12):
        stretches = [watch(_chart(rng, before + 3, 8.0, before), rule).stretches for _ in range(400)]
        alarms = np.array([found[1].alarmed if len(found) > 1 else 10_000 for found in stretches])
        print(
            f"{before:3} nights before: found {np.mean((alarms >= before) & (alarms < before + 3)):.0%}, false {np.mean(alarms < before):.1%}"
        )


def show_own_history(rng: np.random.Generator) -> None:
    """Charts of a tracker that has no partner.

    False alarms against the stated rate, and turns found.
    """
    print(
        "\nOwn history: false alarms a night over what is stated (100 seasons of 40 nights; 1 in 100 and 1 in 1,000 stated)"
    )
    for words, a_night, heavy, night_sd in (
        ("2 of 12 pitchers a night", 2, False, 0.0),
        ("6 of 12 pitchers a night", 6, False, 0.0),
        ("6 of 12, nights vary by half an outing's sd", 6, False, 0.05),
        ("2 of 12, outings heavy-tailed (t, 3 df)", 2, True, 0.0),
    ):
        alarms, nights = np.zeros(2), 0
        for _ in range(100):
            season = outings(rng, 40, 12, a_night, heavy_tails=heavy, night_sd=night_sd)
            spread = outing_spread({("unit", "release_side_ft"): season}, "release_side_ft")
            if spread is None:
                continue
            for place, level in enumerate((0.01, 0.001)):
                watched = watch_history(season, spread, level)
                alarms[place] += len({night.change.seen for night in watched if night.change})
            nights += sum(night.own.pitchers > 0 for night in watched)
        print(f"{words:46} {alarms[0] / nights / 0.01:.2f} {alarms[1] / nights / 0.001:.2f}")
    print(
        "Turned on the last 6 of 24 nights, 3 of 9 pitchers a night, outings vary by 0.1 ft; limits for a family of 20 charts"
    )
    print(
        "shift at release (sd of an outing)  found  median delay, nights  dated within 2 nights  median miss of the level, ft"
    )
    for shift in (2.0, 3.0, 4.0, 6.0):
        found = []
        for _ in range(100):
            season = outings(rng, 24, 9, 3)
            turned = season._replace(value=season.value + 0.1 * shift * (np.arange(24) >= 18)[:, None])
            spread = outing_spread({("unit", "release_side_ft"): turned}, "release_side_ft")
            last = watch_history(turned, spread, 1 / 4000)[-1] if spread else None
            if last and last.change:
                miss = abs(last.level.mean - 0.1 * shift)
                found.append((last.change.seen - 17, abs(last.change.start - 18) <= 2, miss))
        delay, within, miss = np.array(found or [(np.nan,) * 3]).T
        print(f"{shift:34}  {len(found):4}%  {np.median(delay):20.0f}  {within.mean():21.0%}  {np.median(miss):.3f}")


def most_aims_within(readings: pl.DataFrame, noise_ft: float, angle_noise_deg: float, within_deg: float) -> float:
    """Return the Cramer-Rao bound on how often the aim can be within `within_deg`.

    For an unbiased estimate from nights of 60 pitches with normal errors. The bound is that of least squares with the errors' true
    variances and the geometry of the pitches themselves (Gauss & Markov), the other five turns and shifts being unknown too. Not for
    trajectories, whose errors go together.
    """
    equations = frame_equations(readings)
    of_points = np.array([1, 2, 1, 1, 1]) * noise_ft * np.sqrt(2)
    sds = np.append(of_points, np.full(len(equations) - len(of_points), np.radians(angle_noise_deg) * np.sqrt(2)))
    information = sum(
        np.einsum("npi,npj->nij", design, design) / sd**2
        for design, sd in zip((kind.design[:, :6].reshape(-1, 60, 6) for kind in equations), sds, strict=True)
    )
    sd_deg = np.degrees(np.sqrt(np.linalg.inv(np.asarray(information))[:, 0, 0]))
    return float(np.mean(2 * ndtr(within_deg / sd_deg) - 1))


def show_setup(rng: np.random.Generator) -> None:
    """Print turns and shifts found from 60 pitches.

    Errors are 0.1 ft in each position and 0.3 degrees in the approach angles.
    """
    print(
        "\nFrames from 60 pitches, errors of 0.1 ft (extension 0.2 ft, angles 0.3 degrees) in both trackers, 300 nights each: mean and sd of the miss, coverage"
    )
    to_units = np.array([np.degrees(1)] * 3 + [12.0] * 3)
    for setup in (Setup(), Setup(aim_deg=0.6), Setup(0.6, -0.3, 1.0, 0.1, -0.2, 0.3), Setup(aim_deg=2.0, tilt_deg=1.0)):
        truth = np.array([*setup[:3], *(12 * value for value in setup[3:6])])
        seen = seen_through(rng, 60 * 300, setup, trajectory=True)
        for given, left_out in (
            ("points", "trajectory|approach"),
            ("points and angles", "trajectory"),
            ("trajectory too", "none"),
        ):
            readings = seen.select(pl.exclude(f"^.*({left_out}).*$"))
            frames = fit_frames(frame_equations(readings), np.arange(0, 60 * 300, 60))
            miss, errors = frames.values[:, :6] * to_units - truth, frames.errors[:, :6] * to_units
            covered = np.mean(np.abs(miss) < 2.0 * errors, axis=0)
            most = "" if given == "trajectory too" else f" (at most {most_aims_within(readings, 0.1, 0.3, 0.1):.1%})"
            print(
                f"{tuple(setup[:6])!s:36} {given:18} aim within 0.1 deg: {np.mean(np.abs(miss[:, 0]) < 0.1):.1%}{most}"
            )
            for place, name in enumerate(("aim deg", "tilt deg", "roll deg", "side in", "height in", "distance in")):
                print(f"   {name:12} {miss[:, place].mean():+.3f} {miss[:, place].std():.3f} {covered[place]:.3f}")


STANDARDS = Standards.with_defaults({}, {"radar": 1, "camera": 2, "unit": 3})


def show_speed(rng: np.random.Generator, sightings: int, nights: int) -> None:
    """Print time and memory of all tables, against a plain group-by.

    `sightings` of 12 metrics and 3 trackers; then one more night.
    """
    per_night = sightings // 3 // nights
    seen = season(rng, nights, per_night, metrics=tuple(TRUTH), night_sd=0.1)
    pairs = _match_pairs(seen)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    facts, of_facts = _timed(lambda: measure_nights(seen.with_pairs(pairs), STANDARDS))
    tables, of_tables = _timed(lambda: agreement_of_nights(facts, STANDARDS, METRIC_SOURCES.empty()))
    _, plain = _timed(lambda: _plain_group_by(seen))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    whole = of_facts + of_tables
    print(f"\n{seen.sightings.height:,} sightings of {nights:,} nights, CPU (wall) seconds:")
    print(f"all facts {_words(of_facts)}, all tables {_words(of_tables)}: {whole[0] / plain[0]:.1f} x a plain group-by of {_words(plain)}")  # fmt: skip
    print(f"peak {peak / 1024:,.0f} MB ({before / 1024:,.0f} before)", {name: table.height for name, table in tables._asdict().items()})  # fmt: skip
    _show_night_on_top(rng, facts, per_night)


def _show_night_on_top(rng: np.random.Generator, facts: NightFacts, per_night: int) -> None:
    night = date(2099, 10, 14)
    new = season(rng, 1, per_night, metrics=tuple(TRUTH), night_sd=0.1, first_day=night)
    with tempfile.TemporaryDirectory() as folder:
        for name, frame in facts._asdict().items():
            frame.write_parquet(f"{folder}/{name}.parquet", compression="lz4")
        kept, reading = _timed(
            lambda: NightFacts(*(pl.read_parquet(f"{folder}/{name}.parquet") for name in NightFacts._fields))
        )
    fresh, measuring = _timed(lambda: measure_nights(new.with_pairs(_match_pairs(new)), STANDARDS))
    together, joining = _timed(lambda: replace_nights(kept, fresh, [night]))
    _, folding = _timed(lambda: agreement_of_nights(together, STANDARDS, METRIC_SOURCES.empty()))
    print(
        f"one night more: its own facts {_words(measuring)}; kept facts read {_words(reading)}, put together {_words(joining)}, "
        f"all tables {_words(folding)}: beyond the night's own work {_words(reading + joining + folding)}"
    )


def _timed(make: Callable[[], Made]) -> tuple[Made, np.ndarray]:
    """What was made, and CPU and wall seconds."""
    start = np.array([time.process_time(), time.perf_counter()])
    made = make()
    return made, np.array([time.process_time(), time.perf_counter()]) - start


def _words(seconds: np.ndarray) -> str:
    return f"{seconds[0]:.2f} ({seconds[1]:.2f})"


def _match_pairs(seen: Seen) -> pl.DataFrame:
    ids = seen.sightings.select("sighting_id", "tracker").join(seen.matches, on="sighting_id")
    by_tracker = {str(name): part for (name,), part in ids.group_by("tracker")}
    evidence = {"merged": pl.lit(True), "time_evidence": pl.lit(6.0)}
    joined = [
        by_tracker[a].join(by_tracker[b], on="group_id", suffix="_b")
        for a, b in (("radar", "camera"), ("radar", "unit"), ("camera", "unit"))
    ]
    columns = {
        "sighting_a": "sighting_id",
        "sighting_b": "sighting_id_b",
        "tracker_a": "tracker",
        "tracker_b": "tracker_b",
    }
    return pl.concat(joined).select(**{new: pl.col(old) for new, old in columns.items()}, **evidence)


def _plain_group_by(seen: Seen) -> pl.DataFrame:
    wide = seen.sightings.join(seen.matches, on="sighting_id").pivot(
        "tracker", index=["group_id", "baseball_day"], values=list(TRUTH)
    )
    pairs = [(a, b) for a, b in (("radar", "camera"), ("radar", "unit"), ("camera", "unit"))]
    d = [
        (pl.col(f"{metric}_{b}") - pl.col(f"{metric}_{a}")).alias(f"{metric} {a} {b}")
        for metric in TRUTH
        for a, b in pairs
    ]
    return (
        wide.select("baseball_day", *d)
        .group_by("baseball_day")
        .agg(pl.all().mean().name.suffix(" mean"), pl.all().std().name.suffix(" sd"))
    )


def main() -> None:
    """Print every table, or only the speed with `speed`."""
    rng = np.random.default_rng(20_260_213)
    if sys.argv[1:] != ["speed"]:
        for show in (
            show_coverage,
            show_precision,
            show_bias,
            show_charts,
            show_short_baseline,
            show_own_history,
            show_setup,
        ):
            show(rng)
    for nights in (300, 2222):
        show_speed(rng, 1_000_000, nights)


if __name__ == "__main__":
    main()
