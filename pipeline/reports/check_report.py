"""What `pitchledger check` prints: for each tracker, column by column, what its newest export will become."""

from collections.abc import Iterator

import polars as pl
from rich.console import Console

from pipeline.exports.duplicates import order_exports
from pipeline.exports.inbox import ExportFile, list_exports
from pipeline.exports.mapping.describe import describe_columns
from pipeline.exports.mapping.rows import map_export
from pipeline.exports.readers import UnreadableExport, read_export
from pipeline.reports.printing import harmless, make_table
from pipeline.settings.ledger import Ledger, TrackerSettings
from pipeline.settings.people import named_sightings
from pipeline.settings.problems import SettingsProblems
from pipeline.settings.profile import OPEN, load_profile
from pipeline.warehouse.query import published_tables
from pipeline.words import pluralize

# a profile that does not fit gives the same few reasons over and over
MOST_REASONS = 8


def print_check(ledger: Ledger, out: Console) -> int:
    """Print every tracker's columns; returns how many trackers have a problem with their newest export."""
    bad = sum(not _check_tracker(tracker, out) for tracker in ledger.trackers)
    for sighting in _unknown_sightings(ledger):
        out.print(
            harmless(
                f"decisions.csv: no published sighting has the id {sighting}. `pitchledger explain PITCH_ID` lists the sightings of a pitch."
            )
        )
    for line in _unused_profiles(ledger):
        out.print(harmless(line))
    return bad


def _unused_profiles(ledger: Ledger) -> Iterator[str]:
    """Yield a sentence for each profile that no tracker uses, such as an unfinished draft."""
    used = {tracker.profile_name for tracker in ledger.trackers}
    for path in sorted((ledger.folder / "profiles").glob("*.toml")):
        if path.stem in used:
            continue
        sentence = f"profiles/{path.name}: no tracker in ledger.toml uses it"
        try:
            load_profile(path)
        except SettingsProblems as fault:
            questions = sum(problem.value == OPEN for problem in fault.problems)
            errors = len(fault.problems) - questions
            sentence += f"; it has {pluralize(questions, 'open question')} and {pluralize(errors, 'error')}"
        yield f"{sentence}."


def _unknown_sightings(ledger: Ledger) -> list[str]:
    """Return sighting ids in decisions.csv that are not in the published version: mistyped, or of a removed export."""
    known = [
        table.get_column("sighting_id")
        for table in published_tables(ledger.output, ("sightings", "set_aside")).values()
    ]
    named = pl.Series(named_sightings(ledger.decisions), dtype=pl.String)
    return named.filter(~named.is_in(pl.concat(known).implode())).to_list() if known else []


def _check_tracker(tracker: TrackerSettings, out: Console) -> bool:
    out.print(harmless(f"{tracker.id}: {tracker.profile.describes}"), style="bold")
    if not tracker.inbox.is_dir():
        out.print(
            harmless(
                f"  The inbox {tracker.inbox} does not exist. Create the folder, or correct `inbox` in ledger.toml."
            )
        )
        return False
    exports = order_exports(list_exports(tracker.id, tracker.inbox))
    if not exports:
        out.print("  The inbox holds no export yet.")
        return True
    newest = max(exports, key=lambda file: (file.modified_at, file.file_name))
    if _check_export(newest, tracker, out):
        return True
    _check_older_export([file for file in exports if file != newest], tracker, out)
    return False


def _check_export(file: ExportFile, tracker: TrackerSettings, out: Console, age: str = "Newest") -> bool:
    """Print what an export becomes; returns whether any row of it can be used."""
    out.print(harmless(f"  {age} export: {file.file_name}"))
    try:
        raw = read_export(file.path, tracker.profile)
        mapped = map_export(raw, tracker, file)
    except UnreadableExport as fault:
        out.print(harmless(f"  It could not be read: {fault.reason}. {fault.fix}"), style="red")
        return False
    sightings, set_aside = pluralize(mapped.sightings.height, "sighting"), mapped.set_aside.height
    quarantined = _quarantined_rows(mapped.quarantine)
    out.print(
        harmless(f"  {pluralize(raw.rows_read, 'row')}: {sightings}, {set_aside} set aside, {quarantined} quarantined")
    )
    _print_columns(describe_columns(raw, tracker.profile, mapped), out)
    reasons = mapped.quarantine.group_by("reason", "fix", maintain_order=True).len().head(MOST_REASONS)
    for reason, fix, times in reasons.iter_rows():
        out.print(harmless(f"  {pluralize(times, 'time')}: {reason}. {fix or ''}"))
    is_useless = raw.rows_read > 0 and mapped.sightings.is_empty() and mapped.set_aside.is_empty()
    if is_useless:
        out.print("  Every row would be quarantined.", style="red")
    out.print()
    return not is_useless


def _print_columns(described: pl.DataFrame, out: Console) -> None:
    """Print each mapped column with its meaning below its name, which gives it more room, then the names of the rest."""
    is_mapped = described["our column"] != "(not mapped)"
    rows = [
        (ours, "\n".join(filter(None, (theirs, meaning))), unit, before, after)
        for ours, theirs, unit, meaning, before, after in described.filter(is_mapped).iter_rows()
    ]
    columns = ("our column", "their column and its meaning", "unit", "before", "after")
    out.print(make_table(columns, rows, numbers_from=99, whole=("our column", "unit"), narrow=("before", "after")))
    if rest := described.filter(~is_mapped)["their column"].to_list():
        out.print(harmless(f"  Not mapped: {', '.join(rest)}."))


def _check_older_export(older: list[ExportFile], tracker: TrackerSettings, out: Console) -> None:
    """Show the newest readable one of the older exports, so that the profile can be judged anyway."""
    for file in reversed(older):
        try:
            read_export(file.path, tracker.profile)
        except UnreadableExport:
            continue
        _check_export(file, tracker, out, "Older")
        break


def _quarantined_rows(quarantine: pl.DataFrame) -> int:
    return quarantine.filter(pl.col("level") == "row").n_unique(["file_id", "file_row"]) if quarantine.height else 0
