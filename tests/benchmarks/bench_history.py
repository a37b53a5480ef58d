"""A night on top of a long history, against the same night on an empty warehouse, measured in the same run.

    .venv/bin/python -m tests.benchmarks.bench_history [sightings, default 1000000] [folder to keep the history in]

Three invented trackers saw every pitch of a field, twelve metrics each; the history comes a month at a time. A night is timed whole, from
the command line to its summary, on an empty warehouse too.

Apart are timed, with the file that the night has just published: a plain copy of it, on the disk to its last byte, and its removal. A
version is a copy of the one before and the oldest goes, so both grow with the history whatever one does. A run makes its copy while it
works, so that leaving all of the copy out says too little where a processor was idle meanwhile; hence the ratio with all in it stands first.
The ratios include the Parquet of the night's month, which is written again, the checksums, and the memory for the next night.
Processor seconds tell more than wall where others use the machine.
"""

import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import date, timedelta
from pathlib import Path
from typing import NamedTuple

import numpy as np
import polars as pl

from tests.benchmarks.bench_night import _command

TRACKERS = ("one", "two", "three")
A_NIGHT = 1_075
FIRST = date(2024, 9, 1)
MONTH = 31
ROUNDS = 3
METRICS = {
    "release_speed_mph": ("v0", 89.0, 5.0, 0.3), "plate_speed_mph": ("v1", 81.0, 4.5, 0.3), "spin_rate_rpm": ("spin", 2250.0, 250.0, 30.0),
    "induced_vertical_break_in": ("ivb", 12.0, 6.0, 0.8), "horizontal_break_in": ("hb", 2.0, 9.0, 0.8), "release_height_ft": ("rh", 5.9, 0.4, 0.06),
    "release_side_ft": ("rs", 0.5, 2.0, 0.06), "extension_ft": ("ext", 6.2, 0.4, 0.1), "plate_height_ft": ("ph", 2.4, 0.9, 0.06),
    "plate_side_ft": ("ps", 0.0, 0.8, 0.06), "vertical_approach_deg": ("vaa", -6.0, 1.3, 0.15), "horizontal_approach_deg": ("haa", 0.0, 2.0, 0.15),
}  # fmt: skip
_BREAK = 'unit = "inch"\ndefinition = "same_plane"\nstart = "release"\nend = "front_edge"\n'
STATED = {
    "release_speed_mph": 'unit = "mph"\nat = "release"', "plate_speed_mph": 'unit = "mph"\nat = "front_edge"', "spin_rate_rpm": 'unit = "rpm"\nspin = "total"',
    "induced_vertical_break_in": _BREAK + 'gravity = "out"\npositive = "up"', "horizontal_break_in": _BREAK + 'positive = "catcher_right"',
    "release_height_ft": 'unit = "ft"\nat = "release"\nheight_from = "ground"', "release_side_ft": 'unit = "ft"\nat = "release"\npositive = "catcher_right"',
    "extension_ft": 'unit = "ft"\nmeasured_from = "rubber"', "plate_height_ft": 'unit = "ft"\nat = "front_edge"\nheight_from = "ground"',
    "plate_side_ft": 'unit = "ft"\nat = "front_edge"\npositive = "catcher_right"', "vertical_approach_deg": 'unit = "degree"\nat = "front_edge"\npositive = "up"',
    "horizontal_approach_deg": 'unit = "degree"\nat = "front_edge"\npositive = "catcher_right"',
}  # fmt: skip
PROFILE = """describes = "an invented tracker of the benchmark"
[file]
format = "csv"
[time]
column = "at"
formats = ["%Y-%m-%dT%H:%M:%S%.3f"]
zone = "UTC"
resolution_s = 0.001
[keys]
native_id = "id"
pitcher = "arm"
[labels.pitch_type]
column = "kind"
by = "tracker"
words = {{ "straight" = "four_seam", "bend" = "curveball", "slow" = "changeup" }}
{metrics}
"""


def main() -> None:
    """Print the figures."""
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    kept = Path(sys.argv[2]) if len(sys.argv) > 2 else None
    with tempfile.TemporaryDirectory() as temporary:
        folder = kept or Path(temporary) / "history"
        nights = round(rows / (A_NIGHT * len(TRACKERS)))
        if not (folder / "warehouse").is_dir():
            _build(folder, nights)
        bare = Path(temporary) / "bare"
        rounds = [_round(folder, bare, Path(temporary), FIRST + timedelta(days=nights + n)) for n in range(ROUNDS)]
        print(
            f"a night on top of {nights * A_NIGHT * len(TRACKERS):,} sightings, times the same night on an empty warehouse:"
        )
        middle = Round(*(statistics.median(figures) for figures in zip(*rounds, strict=True)))
        print(f"  all in it                        {middle.on_top_s / middle.alone_s:5.2f}")
        print(f"  the copy left out (target 1.5)   {(middle.on_top_s - middle.copy_s) / middle.alone_s:5.2f}")
        print(
            f"  copy and removal left out        {(middle.on_top_s - middle.copy_s - middle.removal_s) / middle.alone_s:5.2f}"
        )
        print(f"  processor seconds, all in it     {middle.on_top_cpu_s / middle.alone_cpu_s:5.2f}")


class Round(NamedTuple):
    """Seconds of a night on top of the history and alone, on the wall and of the processors; of copying the published file, and of removing it."""

    on_top_s: float
    on_top_cpu_s: float
    alone_s: float
    alone_cpu_s: float
    copy_s: float
    removal_s: float


def _round(folder: Path, bare: Path, temporary: Path, night: date) -> Round:
    write_night(folder, night)
    on_top = _run(folder)
    apart = _copy_and_removal(folder, temporary)
    shutil.rmtree(bare, ignore_errors=True)
    _workspace(bare)
    write_night(bare, night)
    found = Round(*on_top, *_run(bare), *apart)
    print(
        f"{night}: on top {found.on_top_s:.2f} s ({found.on_top_cpu_s:.2f} of the processors), on an empty warehouse {found.alone_s:.2f} s "
        f"({found.alone_cpu_s:.2f}), copy {found.copy_s:.2f} s, removal {found.removal_s:.2f} s",
        flush=True,
    )
    return found


def _build(folder: Path, nights: int) -> None:
    _workspace(folder)
    for start in range(0, nights, MONTH):
        for number in range(start, min(start + MONTH, nights)):
            write_night(folder, FIRST + timedelta(days=number))
        print(f"history: {min(start + MONTH, nights)} of {nights} nights, {_run(folder)[0]:.1f} s", flush=True)


def _workspace(folder: Path) -> None:
    (folder / "profiles").mkdir(parents=True)
    tables = "\n".join(_metric_table(name, column) for name, (column, *_) in METRICS.items())
    (folder / "profiles" / "plain.toml").write_text(PROFILE.format(metrics=tables))
    trackers = "\n".join(
        f'[[tracker]]\nid = "{name}"\nprofile = "plain"\nvenue = "park"\nstations = ["mound"]\nrank = {rank}\n'
        for rank, name in enumerate(TRACKERS, 1)
    )
    (folder / "ledger.toml").write_text(
        '[program]\nname = "benchmark"\ntime_zone = "UTC"\n[[venue]]\nid = "park"\n[[venue.station]]\nid = "mound"\nkind = "field"\n'
        + trackers
    )


def _metric_table(name: str, column: str) -> str:
    return f'[metric.{name}]\ncolumn = "{column}"\n{STATED[name]}\n'


def write_night(folder: Path, night: date) -> None:
    """One export a tracker: the same pitches, each with its own noise, clock offset and a few dropouts."""
    chance = np.random.default_rng(night.toordinal())
    at = np.cumsum(chance.gamma(4.0, 5.0, A_NIGHT)) + 8 * 3600.0
    true = {name: mean + spread * chance.standard_normal(A_NIGHT) for name, (_, mean, spread, _) in METRICS.items()}
    arm = np.repeat(np.arange(A_NIGHT // 25 + 1), 25)[:A_NIGHT] % 30
    kind = chance.choice(["straight", "bend", "slow"], A_NIGHT)
    for number, tracker in enumerate(TRACKERS):
        seen = chance.random(A_NIGHT) > 0.03
        start = np.datetime64(night.isoformat(), "us")
        stamps = start + ((at + 20.0 * number + 0.05 * chance.standard_normal(A_NIGHT)) * 1e6).astype("timedelta64[us]")
        frame = pl.DataFrame(
            {
                "id": [f"{night}-{n}" for n in range(A_NIGHT)],
                "at": pl.Series(stamps).dt.strftime("%Y-%m-%dT%H:%M:%S%.3f"),
                "arm": [f"Arm Number {n}" for n in arm],
                "kind": kind,
                **{
                    column: np.round(true[name] + noise * chance.standard_normal(A_NIGHT), 3)
                    for name, (column, _, _, noise) in METRICS.items()
                },
            }
        ).filter(pl.Series(seen))
        path = folder / "inbox" / tracker / f"{night}.csv"
        path.parent.mkdir(parents=True, exist_ok=True)
        frame.write_csv(path)
        # an export of some minutes ago: one that is fresh is watched for two seconds
        os.utime(path, (time.time() - 600,) * 2)


def _run(folder: Path) -> tuple[float, float]:
    """Seconds on the wall, and of the processors."""
    start, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([_command(), "run", "-w", str(folder)], check=True, capture_output=True)
    seconds, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    return seconds, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def _copy_and_removal(folder: Path, to: Path) -> tuple[float, float]:
    """Seconds of a plain copy of the published file, on the disk to its last byte as a published one must be, and of removing the copy."""
    start = time.perf_counter()
    shutil.copyfile((folder / "warehouse" / "pitchledger.duckdb").resolve(), to / "copy.duckdb")
    with (to / "copy.duckdb").open("rb") as copy:
        os.fsync(copy.fileno())
    copied = time.perf_counter()
    (to / "copy.duckdb").unlink()
    return copied - start, time.perf_counter() - copied


if __name__ == "__main__":
    main()
