"""Ablation of the matching: replace one mechanism at a time by a no-op and measure what is lost.

    python -m tests.benchmarks.bench_ablation                                all mechanisms, all worlds, one seed (about ten minutes of CPU)
    python -m tests.benchmarks.bench_ablation --seeds 2 --jobs 2             two seeds, two processes
    python -m tests.benchmarks.bench_ablation --worlds "clock step"          some worlds only

Columns of the table: lines of the mechanism (with its helpers; some are shared); change of F1 at probability 0.5 in units of 1e-4, mean over
the worlds and in the world that loses most (below 0: the mechanism helps); change of throws counted twice in the roaming worlds (above 0:
the mechanism helps); seasons in which the mechanism did anything. A season in which it did nothing is not matched again.
"""

import argparse
import inspect
import warnings
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import fields, is_dataclass
from multiprocessing import Pool
from types import ModuleType
from typing import NamedTuple
from unittest.mock import patch

import numpy as np
import polars as pl

from pipeline.matching import fit, match
from pipeline.matching.alignment import align_round
from pipeline.matching.alignment.gap_rates import start_gap_rates, transitions_of
from pipeline.matching.pitches import double_triggers, form_pitches, stations, tables
from pipeline.matching.pitches.double_triggers import Doubles, FoundDoubles
from tests.benchmarks.bench_matching import match_season, roaming_counts, simulated
from tests.simulator.matching_scores import score
from tests.simulator.matching_season import Season
from tests.simulator.matching_world import OTHER_WORLDS, ROAMING_WORLDS, SCENARIOS
from tests.simulator.rough_season import ROUGH_WORLDS

ALL_WORLDS = (*SCENARIOS, *OTHER_WORLDS, *ROAMING_WORLDS, *ROUGH_WORLDS)
PROPOSAL_TUPLES = (
    "START_PROPOSALS",
    "CLOCK_PROPOSALS",
    "SECOND_ROUND_PROPOSALS",
    "SECOND_LOOK_PROPOSALS",
    "POOLED_PROPOSALS",
    "FINAL_PROPOSALS",
)
# Position of "throws that became more than one pitch" in `roaming_counts`.
_COUNTED_TWICE = 5

Function = Callable[..., object]


class Mechanism(NamedTuple):
    """A function of the matching, where the matching looks it up, and a replacement that does nothing."""

    name: str
    module: ModuleType
    attribute: str
    replacement: Function


def _no_doubles(*_: object) -> FoundDoubles:
    none = np.zeros(0, dtype=np.int64)
    nothing = Doubles(none, none, np.zeros(0), np.zeros(0))
    return FoundDoubles(nothing, nothing)


MECHANISMS = (
    Mechanism("models pooled over days", match, "fit_with_pooled_models", lambda days, first, statistics: first),
    Mechanism("label evidence", align_round, "label_evidence", lambda model, model_of, *_: np.zeros(len(model_of))),
    Mechanism(
        "gap rates learned",
        align_round,
        "transitions_of",
        lambda days, gaps: transitions_of(days, start_gap_rates(days)),
    ),
    Mechanism("cost of a clock path", align_round, "path_cost", lambda clock, resolution_s: 0.0),
    Mechanism("competing stream pairs", align_round, "share_contested_records", lambda days, cells: cells),
    Mechanism("indirect pairs limited", form_pitches, "limit_indirect_pairs", lambda final, a, b: np.ones(len(a))),
    Mechanism(
        "rivals weighed", form_pitches, "weigh_rivals", lambda pairs, groups, tracker, probability, apart: probability
    ),
    Mechanism("double triggers", match, "find_doubles", _no_doubles),
    Mechanism("doubles without a station", tables, "find_unplaced_doubles", _no_doubles),
    Mechanism(
        "doubles seen as two",
        double_triggers,
        "_weigh_two_partners",
        lambda records, cells, found: found,
    ),
    Mechanism("station trials repeated", stations, "_without_settled", lambda trial, chances: trial),
    Mechanism(
        "station trials by pitcher",
        stations,
        "_by_pitcher",
        lambda trial: trial._replace(records=trial.records.clear()),
    ),
)


class Result(NamedTuple):
    """F1 of a season, and its throws that became more than one pitch."""

    f1: float
    counted_twice: float


def proposals() -> dict[str, Function]:
    """Return every repair of `pipeline.matching.fit` by name, in the order in which they are tried."""
    return {f.__name__: f for name in PROPOSAL_TUPLES for f in getattr(fit, name)}


def originals() -> dict[str, Function]:
    """Return the functions that are ablated, by the name of the mechanism."""
    return {**proposals(), **{m.name: getattr(m.module, m.attribute) for m in MECHANISMS}}


@contextmanager
def replaced(by_name: dict[str, Function]) -> Iterator[None]:
    """Replace mechanisms, by name, while the context lasts."""
    with ExitStack() as stack:
        for attribute in PROPOSAL_TUPLES:
            functions = tuple(by_name.get(f.__name__, f) for f in getattr(fit, attribute))
            stack.enter_context(patch.object(fit, attribute, functions))
        for mechanism in MECHANISMS:
            if mechanism.name in by_name:
                stack.enter_context(patch.object(mechanism.module, mechanism.attribute, by_name[mechanism.name]))
        yield


def ablate(season: Season, chosen: list[str]) -> dict[str, Result]:
    """Return the result with all mechanisms ("") and without each one that changes anything."""
    no_op = {
        **dict.fromkeys(proposals(), lambda days, unchanged: unchanged),
        **{m.name: m.replacement for m in MECHANISMS},
    }
    active: set[str] = set()

    def watched(name: str, function: Function) -> Function:
        def run(*args: object) -> object:
            out = function(*args)
            if name not in active and not _equal(out, no_op[name](*args)):
                active.add(name)
            return out

        run.__name__ = name
        return run

    with replaced({name: watched(name, function) for name, function in originals().items() if name in chosen}):
        results = {"": _result(season)}
    for name in chosen:
        if name in active:
            with replaced({name: no_op[name]}):
                results[name] = _result(season)
    return results


def _equal(a: object, b: object) -> bool:
    """Compare nested tuples, dataclasses, arrays and frames."""
    if a is b:
        return True
    if isinstance(a, np.ndarray):
        return np.array_equal(a, np.asarray(b), equal_nan=a.dtype.kind == "f")
    if isinstance(a, pl.DataFrame):
        return isinstance(b, pl.DataFrame) and a.equals(b)
    if isinstance(a, (tuple, list)) and isinstance(b, (tuple, list)):
        return len(a) == len(b) and all(map(_equal, a, b))
    if is_dataclass(a) and type(a) is type(b):
        return all(_equal(getattr(a, field.name), getattr(b, field.name)) for field in fields(a))
    return bool(a == b)


def _result(season: Season) -> Result:
    matched = match_season(season)
    f1 = score(matched.match_pairs, season.truth, season.sightings).f1_at_05
    return Result(f1, float(roaming_counts(season, matched)[_COUNTED_TWICE]))


def lines(function: Function) -> int:
    """Return the source lines of a function and of its helpers: in its module, or in the package of repairs."""
    seen, left = set[Function](), [function]
    while left:
        current = left.pop()
        seen.add(current)
        for name in current.__code__.co_names:
            helper = current.__globals__.get(name)
            own = inspect.isfunction(helper) and (
                helper.__module__ == function.__module__ or ".repairs." in helper.__module__
            )
            if own and helper not in seen:
                left.append(helper)
    return sum(len(inspect.getsource(f).splitlines()) for f in seen)


def _season(task: tuple[str, int, list[str]]) -> tuple[str, dict[str, Result]]:
    name, seed, chosen = task
    warnings.simplefilter("ignore")
    return name, ablate(simulated(name, seed), chosen)


def print_table(seasons: list[tuple[str, dict[str, Result]]], chosen: list[str]) -> None:
    """Print the table in Markdown, the mechanism that helps most first."""
    worlds = sorted({name for name, _ in seasons}, key=ALL_WORLDS.index)
    rows = []
    for mechanism in chosen:
        changes: dict[str, list[float]] = {name: [] for name in worlds}
        twice = 0.0
        for name, results in seasons:
            full, without = results[""], results.get(mechanism, results[""])
            changes[name].append(1e4 * (without.f1 - full.f1))
            twice += (without.counted_twice - full.counted_twice) * (name in ROAMING_WORLDS)
        mean = {name: float(np.mean(change)) for name, change in changes.items()}
        worst = min(mean, key=lambda name: mean[name])
        acted = sum(mechanism in results for _, results in seasons)
        rows.append((float(np.mean(list(mean.values()))), mean[worst], worst, twice, acted, mechanism))
    print("| mechanism off | lines | F1 mean, 1e-4 | F1 worst, 1e-4 | worst world | counted twice | acts in |")
    print("|---|---|---|---|---|---|---|")
    functions = originals()
    for average, least, worst, twice, acted, mechanism in sorted(rows):
        place = worst if least < -0.05 else "-"
        print(
            f"| {mechanism.replace('_', ' ')} | {lines(functions[mechanism])} | {average:+.1f} | {least:+.0f} | {place} | {twice:+.0f} "
            f"| {acted} of {len(seasons)} |"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--first-seed", type=int, default=1000)
    parser.add_argument("--worlds", nargs="*", default=list(ALL_WORLDS), choices=ALL_WORLDS, metavar="WORLD")
    parser.add_argument(
        "--mechanisms", nargs="*", default=list(originals()), choices=list(originals()), metavar="MECHANISM"
    )
    parser.add_argument("--jobs", type=int, default=1)
    options = parser.parse_args()
    seeds = range(options.first_seed, options.first_seed + options.seeds)
    tasks = [(name, seed, options.mechanisms) for seed in seeds for name in options.worlds]
    seasons = []
    with Pool(options.jobs) as pool:
        for name, results in pool.imap_unordered(_season, tasks):
            seasons.append((name, results))
            print(
                f"{len(seasons)} of {len(tasks)}: {name}, F1 {results[''].f1:.4f}, {len(results) - 1} acted", flush=True
            )
    print_table(seasons, options.mechanisms)


if __name__ == "__main__":
    main()
