"""A workspace that receives exports night by night, and its published tables in comparable form."""

import os
import shutil
from collections.abc import Iterable
from pathlib import Path

import polars as pl

from pipeline.incremental.previous_run import HISTORY
from pipeline.incremental.run_report import NightReport
from pipeline.night import run_night
from pipeline.settings.ledger import load_ledger
from pipeline.warehouse.query import published_tables
from pipeline.warehouse.versions import Version, current_version, delete_pruned
from schemas.tables import TABLES
from tests.conftest import PROJECT

DEMO = PROJECT / "demo_inputs"
# tables about runs, not about exports
RUN_TABLES = ("runs", "warehouse_version")
DELIVERY_COLUMNS = {"files": ["modified_at", "first_seen_at", "gone_since"]}


def empty_workspace(folder: Path) -> Path:
    """Copy the demo's settings without any export."""
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("inbox", "truth", "warehouse"))
    return folder


def demo_exports(*days: str) -> list[Path]:
    """Return the demo's exports, or only those of the given days (2026-10-12)."""
    words = [form for day in days for form in (day, day.replace("-", ""))]
    paths = [path for path in sorted((DEMO / "inbox").rglob("*")) if path.is_file()]
    return [path for path in paths if not words or any(word in str(path) for word in words)]


def deliver(workspace: Path, paths: Iterable[Path], written_at: int = 1_700_000_000) -> None:
    for path in paths:
        target = workspace / path.relative_to(DEMO)
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(path, target)
        os.utime(target, (written_at, written_at))


def night(workspace: Path, *, rebuild: bool = False) -> NightReport:
    ledger = load_ledger(workspace)
    report = run_night(ledger, rebuild=rebuild, progress=lambda *_: None)
    delete_pruned(ledger.output)
    return report


def published(workspace: Path) -> dict[str, pl.DataFrame]:
    """Return every published table, from its Parquet files."""
    return published_tables(workspace / "warehouse", tuple(TABLES))


def comparable(workspace: Path) -> dict[str, pl.DataFrame]:
    """The published tables that exports and settings alone decide, in canonical order of rows."""
    return {
        name: frame.drop(DELIVERY_COLUMNS.get(name, [])).sort(pl.all(), nulls_last=True)
        for name, frame in published(workspace).items()
        if name not in RUN_TABLES
    }


def differences(left: dict[str, pl.DataFrame], right: dict[str, pl.DataFrame]) -> dict[str, tuple[int, int]]:
    """Return, for each table that differs in any value, how many rows are only on the left and only on the right."""
    counts = {}
    for name in sorted({*left, *right}):
        a, b = left[name], right[name]
        if not a.equals(b):
            on = a.columns
            counts[name] = (
                a.join(b, on=on, how="anti", nulls_equal=True).height,
                b.join(a, on=on, how="anti", nulls_equal=True).height,
            )
    return counts


def fresh(workspace: Path, folder: Path) -> dict[str, pl.DataFrame]:
    """Return the tables that a first run over the workspace's exports and settings makes."""
    shutil.copytree(workspace, folder, ignore=shutil.ignore_patterns("warehouse"))
    night(folder)
    return comparable(folder)


def memory_folder(workspace: Path) -> Path:
    version = current_version(workspace / "warehouse")
    return Version(workspace / "warehouse", str(version)).folder / HISTORY
