"""What a night and a season cost, against the bare cost of reading the same files, measured in the same run.

    .venv/bin/python -m tests.benchmarks.bench_night

Bare: a Python process that imports duckdb and polars, reads the files and writes them as Parquet.
"""

import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import polars as pl

PROJECT = Path(__file__).parents[2]
DEMO = PROJECT / "demo_inputs"
NIGHT = ("2026-10-22", "20261022")
ROUNDS = 5
SEASON_SIGHTINGS = 50_000
BARE = """
import sys
import duckdb, polars as pl
for number, path in enumerate(sys.argv[2:]):
    if path.endswith("xlsx"):
        frame = pl.read_excel(path)
    elif path.endswith("jsonl"):
        frame = pl.read_ndjson(path, infer_schema_length=None)
    else:
        frame = pl.read_csv(path, infer_schema=False, separator="\\n" if "pen_unit" in path else ",", truncate_ragged_lines=True, has_header="pen_unit" not in path, quote_char=None if "pen_unit" in path else '"')
    frame.write_parquet(f"{sys.argv[1]}/{number}.parquet")
"""


def main() -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as folder:
        night = _workspace(Path(folder) / "night", _night_files())
        bare = _bare(night, Path(folder) / "bare")
        ours = [_seconds([_command(), "run", "--rebuild", "-w", str(night)]) for _ in range(ROUNDS + 1)][1:]
        idle = [_seconds([_command(), "run", "-w", str(night)]) for _ in range(ROUNDS)]
        help_text = [_seconds([_command(), "--help"]) for _ in range(ROUNDS)]
        _row("one night, bare: import, read, write Parquet", bare, bare)
        _row("one night, pitchledger run, from the command line to published", ours, bare)
        _row("nothing new, pitchledger run", idle, bare)
        _row("pitchledger --help", help_text, bare)
        _season(Path(folder) / "season")


def _night_files() -> list[Path]:
    return [
        path
        for path in sorted((DEMO / "inbox").rglob("*"))
        if path.is_file() and any(day in str(path) for day in NIGHT)
    ]


def _workspace(folder: Path, exports: list[Path]) -> Path:
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("inbox", "truth", "warehouse"))
    for path in exports:
        target = folder / path.relative_to(DEMO)
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(path, target)
    return folder


def _bare(workspace: Path, out: Path) -> list[float]:
    out.mkdir()
    files = [str(path) for path in sorted((workspace / "inbox").rglob("*")) if path.is_file()]
    return [_seconds([sys.executable, "-c", BARE, str(out), *files]) for _ in range(ROUNDS + 1)][1:]


def _season(folder: Path) -> None:
    """A season of radar and camera games: the same nights over again, on other days."""
    nights = _season_files(folder / "inbox" / "stadium_radar")
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("inbox", "truth", "warehouse"), dirs_exist_ok=True)
    seconds = _seconds([_command(), "run", "-w", str(folder)])
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(
        f"a season, {nights:,} rows of 120 columns: {seconds:.1f} s (target 60), the greatest process so far {peak:,.0f} MB (target 1,000)"
    )


def _season_files(inbox: Path) -> int:
    """Write radar exports until there are enough rows: each a real demo night, moved by whole weeks and renumbered."""
    inbox.mkdir(parents=True)
    sources = sorted((DEMO / "inbox" / "stadium_radar").rglob("*_v1.csv"))
    rows = week = 0
    while rows < SEASON_SIGHTINGS:
        week += 1
        for source in sources:
            try:
                night = pl.read_csv(source, infer_schema=False)
            except pl.exceptions.PolarsError:
                continue
            day = pl.col("day").str.to_date("%m/%d/%Y", strict=False) + pl.duration(weeks=5 * week)
            moved = night.with_columns(rec=pl.format("W{}-{}", pl.lit(week), "rec"), day=day.dt.strftime("%m/%d/%Y"))
            moved.write_csv(inbox / f"{source.stem[:-3]}_w{week}_v1.csv")
            rows += night.height
    return rows


def _command() -> str:
    return str(Path(sys.executable).with_name("pitchledger"))


def _seconds(command: list[str]) -> float:
    start = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True)
    return time.perf_counter() - start


def _row(name: str, seconds: list[float], bare: list[float]) -> None:
    middle = statistics.median(seconds)
    print(
        f"{name:<66} {middle:6.2f} s   {middle / statistics.median(bare):5.2f} x bare   (n = {len(seconds)}, {min(seconds):.2f} to {max(seconds):.2f})"
    )


if __name__ == "__main__":
    main()
