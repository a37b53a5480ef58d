"""What `pitchledger check` prints: for each tracker, column by column, what its newest export will become."""

from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from typing import NamedTuple

import polars as pl
from rich.console import Console

from pipeline.exports.contradictions import Evidence, find_contradictions
from pipeline.exports.duplicates import order_exports
from pipeline.exports.inbox import ExportFile, list_exports
from pipeline.exports.isolation import isolated
from pipeline.exports.mapping.describe import describe_columns
from pipeline.exports.mapping.rows import Mapped, map_export
from pipeline.exports.plausibility import check_sightings
from pipeline.exports.readers import RawExport, UnreadableExport, read_export
from pipeline.exports.readers.raw import LeftOut
from pipeline.players.identify import distinct_labels, identify_labels, with_player_ids
from pipeline.reports.printing import harmless, make_table
from pipeline.reports.workspace_doubts import session_doubts, workspace_doubts
from pipeline.settings.ledger import Ledger, TrackerSettings
from pipeline.settings.people import named_sightings
from pipeline.settings.problems import SettingsProblems
from pipeline.settings.profile import OPEN, load_profile
from pipeline.warehouse.query import published_tables
from pipeline.words import capitalize, enumerate_words, moment_words, pluralize, weekday_words
from schemas.tables import TABLES

# a profile that does not fit gives the same few reasons over and over
MOST_REASONS = 8
# lines that are not rows, and characters of each
MOST_LINES = 6
LINE_SHOWN = 40
# pitchers of one export
MOST_PITCHERS = 40
# older exports are read until there are so many pitches, for the comparison of the readings with each other
ENOUGH_PITCHES = 200
MOST_OLDER = 8


class CheckResult(NamedTuple):
    """What a check found: trackers whose newest export is unusable, and sentences about what may be wrong although it is usable."""

    unusable: int
    doubts: int


class CheckedTracker(NamedTuple):
    """One tracker: whether no row of its newest export can be used, its number of doubts, and the sightings of that export."""

    is_unusable: bool
    doubts: int
    sightings: pl.DataFrame


class CheckedExport(NamedTuple):
    """One export: its cells, and its rows after the check for impossible readings. `impossible`: a line for each of these."""

    raw: RawExport
    mapped: Mapped
    impossible: pl.DataFrame


def print_check(ledger: Ledger, out: Console) -> CheckResult:
    """Print what the newest export of every tracker becomes, and what is doubtful about it and about the workspace."""
    checked = [_check_tracker(tracker, ledger, out) for tracker in ledger.trackers]
    published = published_tables(ledger.output, ("sightings", "set_aside"))
    for sighting in _unknown_sightings(ledger, published.values()):
        out.print(
            harmless(
                f"decisions.csv: no published sighting has the id {sighting}. `pitchledger explain PITCH_ID` lists the sightings of a pitch."
            )
        )
    for line in _unused_profiles(ledger):
        out.print(harmless(line))
    newest = pl.concat([TABLES["sightings"].empty(), *(tracker.sightings for tracker in checked)], how="diagonal")
    doubts = list(workspace_doubts(ledger, newest, published.get("sightings", newest.clear())))
    for doubt in doubts:
        out.print(harmless(f"! {doubt}"), style="yellow")
    unusable = sum(tracker.is_unusable for tracker in checked)
    return CheckResult(unusable, len(doubts) + sum(tracker.doubts for tracker in checked))


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


def _unknown_sightings(ledger: Ledger, published: Iterable[pl.DataFrame]) -> list[str]:
    """Return sighting ids in decisions.csv that are not in the published version: mistyped, or of a removed export."""
    known = [table.get_column("sighting_id") for table in published]
    named = pl.Series(named_sightings(ledger.decisions), dtype=pl.String)
    return named.filter(~named.is_in(pl.concat(known).implode())).to_list() if known else []


def _check_tracker(tracker: TrackerSettings, ledger: Ledger, out: Console) -> CheckedTracker:
    """Print the newest export of a tracker."""
    nothing = TABLES["sightings"].empty()
    out.print(harmless(f"{tracker.id}: {tracker.profile.describes}"), style="bold")
    if not tracker.inbox.is_dir():
        out.print(
            harmless(
                f"  The inbox {tracker.inbox} does not exist. Create the folder, or correct `inbox` in ledger.toml."
            )
        )
        return CheckedTracker(True, 0, nothing)
    exports = order_exports(list_exports(tracker.id, tracker.inbox))
    if not exports:
        out.print("  The inbox holds no export yet.")
        return CheckedTracker(False, 0, nothing)
    newest = max(exports, key=lambda file: (file.modified_at, file.file_name))
    older = [file for file in reversed(exports) if file != newest]
    checked = _print_export(newest, tracker, ledger, out)
    if checked is None:
        _print_older_export(older, tracker, ledger, out)
        return CheckedTracker(True, 0, nothing)
    sightings = checked.mapped.sightings
    doubts = [
        *_file_notes(checked),
        *_empty_columns(checked, tracker),
        *_contradictions(checked, older, tracker, ledger),
        *session_doubts(sightings, tracker),
    ]
    for doubt in doubts:
        out.print(harmless(f"  ! {doubt}"), style="yellow")
    out.print()
    return CheckedTracker(False, len(doubts), sightings)


def check_export(file: ExportFile, tracker: TrackerSettings, ledger: Ledger) -> CheckedExport:
    """Read, map and check an export as the run does. Raises UnreadableExport."""
    raw = read_export(file.path, tracker.profile)
    mapped = map_export(raw, tracker, file)
    valid = check_sightings(mapped.sightings, ledger.limits, {file.file_id: file.file_name})
    quarantine = pl.concat([mapped.quarantine, valid.quarantine.select(mapped.quarantine.columns)])
    return CheckedExport(raw, mapped._replace(sightings=valid.sightings, quarantine=quarantine), valid.quarantine)


def _print_export(
    file: ExportFile, tracker: TrackerSettings, ledger: Ledger, out: Console, age: str = "Newest"
) -> CheckedExport | None:
    """Print what an export becomes; returns it, or None where no row of it can be used."""
    out.print(harmless(f"  {age} export: {file.file_name}"))
    try:
        checked = isolated(check_export, file, tracker, ledger)
    except UnreadableExport as fault:
        out.print(harmless(f"  It could not be read: {fault.reason}. {capitalize(fault.fix)}"), style="red")
        return None
    raw, mapped, _ = checked
    sightings, set_aside = pluralize(mapped.sightings.height, "sighting"), mapped.set_aside.height
    quarantined = _quarantined_rows(mapped.quarantine)
    out.print(
        harmless(f"  {pluralize(raw.rows_read, 'row')}: {sightings}, {set_aside} set aside, {quarantined} quarantined")
    )
    _print_left_out(raw.left_out, out)
    _print_pitchers(mapped.sightings, tracker.time_zone, out)
    _print_columns(describe_columns(raw, tracker.profile, mapped, tracker.time_zone), out)
    reasons = mapped.quarantine.group_by("reason", "fix", maintain_order=True).len().head(MOST_REASONS)
    for reason, fix, times in reasons.iter_rows():
        out.print(harmless(f"  {pluralize(times, 'time')}: {reason}. {fix or ''}"))
    if raw.rows_read > 0 and mapped.sightings.is_empty() and mapped.set_aside.is_empty():
        out.print("  Every row would be quarantined.", style="red")
        return None
    return checked


def _print_left_out(left_out: LeftOut, out: Console) -> None:
    """Print the lines that are not rows by the profile, so that a person sees whether a throw is among them."""
    if not left_out.lines:
        return
    shown = [f"line {number} '{' '.join(text.split())[:LINE_SHOWN]}'" for number, text in left_out.first[:MOST_LINES]]
    more = [f"{left_out.lines - len(shown)} more"] if left_out.lines > len(shown) else []
    lines = "line is not a row" if left_out.lines == 1 else "lines are not rows"
    out.print(harmless(f"  By the profile, {left_out.lines} {lines}: {enumerate_words([*shown, *more])}."))


def _print_pitchers(sightings: pl.DataFrame, zone: str, out: Console) -> None:
    """Print each pitcher as the export names him, with his sightings and their first and last time."""
    counted = (
        sightings.with_columns(pitcher=pl.coalesce("pitcher_label", "pitcher_native_id", pl.lit("(no name)")))
        .group_by("pitcher", maintain_order=True)
        .agg(
            pl.len(), first=pl.col("thrown_at").min(), last=pl.col("thrown_at").max(), day=pl.col("baseball_day").min()
        )
    )
    rows = [
        (pitcher, f"{number:,}", moment_words(first, zone), moment_words(last, zone))
        if first
        else (pitcher, f"{number:,}", weekday_words(day) if day else "", "no times")
        for pitcher, number, first, last, day in counted.head(MOST_PITCHERS).iter_rows()
    ]
    if not rows:
        return
    table = make_table(("pitcher", "sightings", "first (local time)", "last"), rows, numbers_from=99)
    table.columns[1].justify = "right"
    out.print(table)
    if counted.height > MOST_PITCHERS:
        out.print(f"  and {counted.height - MOST_PITCHERS} more pitchers")
    out.print()


def _file_notes(checked: CheckedExport) -> Iterator[str]:
    """Yield what is wrong with the complete file, such as a sheet that is not read."""
    notes = checked.raw.problems.filter(pl.col("file_row").is_null()).select("reason", "fix")
    for reason, fix in notes.iter_rows():
        yield f"{capitalize(reason)}: {fix}."


def _empty_columns(checked: CheckedExport, tracker: TrackerSettings) -> Iterator[str]:
    """Yield a sentence for each column that the profile names and that gives nothing in this export."""
    if checked.mapped.sightings.is_empty():
        return
    described = describe_columns(checked.raw, tracker.profile, checked.mapped, tracker.time_zone)
    beyond = checked.impossible.drop_nulls("metric").unique("metric", keep="first").select("metric", "reason")
    impossible = dict(beyond.iter_rows())
    for ours, theirs, _, _, _, after, filled in described.iter_rows():
        if filled != "none":
            continue
        name = f"{ours} (their {theirs})" if theirs else ours
        if ours in impossible:
            yield f"{name} has no possible reading: {impossible[ours]}, for example."
        else:
            yield f"{name} is {after}."


def _contradictions(
    checked: CheckedExport, older: Sequence[ExportFile], tracker: TrackerSettings, ledger: Ledger
) -> Iterator[str]:
    """Yield what the readings contradict; a short export is joined by older ones until there are enough pitches."""
    parts = [checked]
    for file in older[:MOST_OLDER]:
        if sum(part.mapped.sightings.height for part in parts) >= ENOUGH_PITCHES:
            break
        with suppress(UnreadableExport):
            parts.append(isolated(check_export, file, tracker, ledger))
    removed = pl.concat(part.impossible for part in parts).select(
        "metric", pl.col("value").cast(pl.Float64, strict=False)
    )
    sightings = pl.concat(part.mapped.sightings for part in parts)
    sources = pl.concat(part.mapped.metric_sources for part in parts)
    # the roster gives the throwing hand where the export does not
    labels = identify_labels(distinct_labels(sightings), ledger.roster, ledger.decisions)
    sightings = with_player_ids(sightings, labels, ledger.roster, ledger.decisions)
    for found in find_contradictions(Evidence(sightings, removed, sources)):
        yield f"{capitalize(found.problem)} {found.what_to_do}"


def _print_columns(described: pl.DataFrame, out: Console) -> None:
    """Print each mapped column with its meaning below its name, which gives it more room, then the names of the rest."""
    is_mapped = described["our column"] != "(not mapped)"
    rows = [
        (ours, "\n".join(filter(None, (theirs, meaning))), unit, before, after, filled)
        for ours, theirs, unit, meaning, before, after, filled in described.filter(is_mapped).iter_rows()
    ]
    columns = ("our column", "their column and its meaning", "unit", "before", "after", "filled")
    whole = ("our column", "unit", "filled")
    out.print(make_table(columns, rows, numbers_from=99, whole=whole, narrow=("before", "after")))
    if rest := described.filter(~is_mapped)["their column"].to_list():
        out.print(harmless(f"  Not mapped: {', '.join(rest)}."))


def _print_older_export(older: Sequence[ExportFile], tracker: TrackerSettings, ledger: Ledger, out: Console) -> None:
    """Show the newest readable one of the older exports, so that the profile can be judged anyway."""
    for file in older:
        try:
            isolated(check_export, file, tracker, ledger)
        except UnreadableExport:
            continue
        _print_export(file, tracker, ledger, out, "Older")
        break
    out.print()


def _quarantined_rows(quarantine: pl.DataFrame) -> int:
    return quarantine.filter(pl.col("level") == "row").n_unique(["file_id", "file_row"]) if quarantine.height else 0
