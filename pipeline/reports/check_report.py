"""What `pitchledger check` prints: for each tracker, column by column, what its newest export will become."""

from collections.abc import Iterator
from pathlib import Path

import polars as pl
from rich.console import Console

from pipeline.exports.duplicates import order_exports
from pipeline.exports.inbox import ExportFile, list_exports
from pipeline.exports.mapping.rows import describe_columns, map_export
from pipeline.exports.readers import UnreadableExport, read_export
from pipeline.reports.printing import harmless, make_table
from pipeline.settings.ledger import Ledger, TrackerSettings
from pipeline.settings.people import named_sightings
from pipeline.settings.problems import SettingsProblems
from pipeline.settings.profile import OPEN, load_profile
from pipeline.warehouse.query import published_tables


def print_check(ledger: Ledger, out: Console) -> int:
    """Print every tracker's columns; returns how many trackers have a problem with their newest export."""
    bad = sum(not _check_tracker(tracker, ledger.folder, out) for tracker in ledger.trackers)
    for sighting in _unknown_sightings(ledger):
        out.print(
            harmless(
                f"decisions.csv: no published sighting has the id {sighting}; `pitchledger explain PITCH_ID` shows those of a pitch"
            )
        )
    for line in _idle_profiles(ledger):
        out.print(harmless(line))
    return bad


def _idle_profiles(ledger: Ledger) -> Iterator[str]:
    """Profiles that no tracker uses, such as drafts that nobody has finished."""
    used = {tracker.profile_name for tracker in ledger.trackers}
    for path in sorted((ledger.folder / "profiles").glob("*.toml")):
        if path.stem not in used:
            name = f"profiles/{path.name}"
            try:
                load_profile(path)
            except SettingsProblems as fault:
                asked = sum(problem.value == OPEN for problem in fault.problems)
                yield f"{name} is used by no tracker of ledger.toml; {asked or 'no'} questions are open in it, {len(fault.problems) - asked} faults"
            else:
                yield f"{name} is used by no tracker of ledger.toml"


def _unknown_sightings(ledger: Ledger) -> list[str]:
    """Sighting ids in decisions.csv that the published version does not know: mistyped, or of an export that is gone."""
    known = [
        table.get_column("sighting_id")
        for table in published_tables(ledger.output, ("sightings", "set_aside")).values()
    ]
    named = pl.Series(named_sightings(ledger.decisions), dtype=pl.String)
    return named.filter(~named.is_in(pl.concat(known).implode())).to_list() if known else []


def _check_tracker(tracker: TrackerSettings, folder: Path, out: Console) -> bool:
    out.print(harmless(f"{tracker.id}: {tracker.profile.describes}"), style="bold")
    if not tracker.inbox.is_dir():
        out.print(
            harmless(f"  its inbox {tracker.inbox} is not there: make the folder, or mend `inbox` in ledger.toml")
        )
        return False
    exports = order_exports(list_exports(tracker.id, tracker.inbox))
    if not exports:
        out.print("  no export lies in its inbox yet")
        return True
    newest = max(exports, key=lambda file: (file.modified_at, file.file_name))
    return _check_export(newest, tracker, out) or _any_readable(exports, newest, tracker, out)


def _check_export(file: ExportFile, tracker: TrackerSettings, out: Console) -> bool:
    out.print(harmless(f"  newest export: {file.file_name}"))
    try:
        raw = read_export(file.path, tracker.profile)
        mapped = map_export(raw, tracker.profile, tracker, file)
    except UnreadableExport as fault:
        out.print(harmless(f"  can't be read: {fault.reason}. {fault.fix}"), style="red")
        return False
    out.print(
        harmless(
            f"  {raw.rows_read} rows: {mapped.sightings.height} sightings, {mapped.set_aside.height} set aside, {_bad_rows(mapped.quarantine)} quarantined"
        )
    )
    described = describe_columns(raw, tracker.profile, mapped)
    whole = ("our column", "their column", "unit")
    out.print(
        make_table(
            "", described.columns, described.iter_rows(), numbers_from=99, whole=whole, narrow=("before", "after")
        )
    )
    nothing = raw.rows_read > 0 and mapped.sightings.is_empty() and mapped.set_aside.is_empty()
    for line in mapped.quarantine.group_by("reason", "fix", maintain_order=True).len().head(8).iter_rows():
        out.print(harmless(f"  {line[2]} times: {line[0]}. {line[1] or ''}"))
    if nothing:
        out.print("  every row of it would be quarantined", style="red")
    out.print()
    return not nothing


def _any_readable(exports: list[ExportFile], newest: ExportFile, tracker: TrackerSettings, out: Console) -> bool:
    """The newest export can't be read: show an older one that can, so that the profile can be judged all the same."""
    for file in reversed([file for file in exports if file != newest]):
        try:
            read_export(file.path, tracker.profile)
        except UnreadableExport:
            continue
        out.print("  an older one instead:")
        _check_export(file, tracker, out)
        break
    return False


def _bad_rows(quarantine: pl.DataFrame) -> int:
    return quarantine.filter(pl.col("level") == "row").n_unique(["file_id", "file_row"]) if quarantine.height else 0
