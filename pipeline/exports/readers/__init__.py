"""Exports as text, one reader per file format. A fault of a file raises UnreadableExport; a fault of a row becomes a line of `problems`."""

from fnmatch import fnmatchcase
from pathlib import Path

import polars as pl

from pipeline.exports.inbox import fit_to_store
from pipeline.exports.readers.raw import (
    FILE_ROW,
    LONGEST_CELL,
    LONGEST_LABEL,
    PROBLEM_SCHEMA,
    SHOWN_CHARACTERS,
    Problems,
    RawExport,
    UnreadableExport,
    bytes_of,
    check_size,
    faults_as_unreadable,
    printable,
)
from pipeline.exports.readers.tables import set_summaries_aside
from pipeline.settings.patterns import named_values
from pipeline.settings.problems import nearest_of
from pipeline.settings.profile import Profile

__all__ = ["RawExport", "UnreadableExport", "read_export"]

# a header that was split at the wrong character is one name as long as the line
_NAME_SHOWN = 60


def read_export(path: Path, profile: Profile, content: bytes | None = None) -> RawExport:
    """Read an export as its profile describes it: every cell as text, with its place in the file.

    `content`: its bytes, where they are at hand; otherwise they are read from `path`. Raises UnreadableExport where the file can't be used,
    and nothing else, whatever its bytes.
    """
    if not fnmatchcase(path.name.lower(), profile.file.name_pattern.lower()):
        raise UnreadableExport(
            f"the file name does not match name_pattern = '{profile.file.name_pattern}' in {profile.file_name}",
            f"move the file to the inbox of its tracker, or correct name_pattern in [file] of {profile.file_name}",
        )
    data = bytes_of(path) if content is None else content
    check_size(len(data))
    with faults_as_unreadable():
        raw = _read(data, profile)
    raw = _with_all_columns(raw, profile)
    if profile.file.format in ("csv", "tsv", "xlsx"):
        raw = set_summaries_aside(raw, _known_words(profile))
    raw = raw._replace(carried=raw.carried | _carried_by_name(path.name, profile))
    return _without_long_texts(raw, profile)


def _known_words(profile: Profile) -> frozenset[str]:
    """Return the words that the profile gives a meaning, in lower case: a row that starts with one of them is not a summary."""
    tables = [table.words for table in profile.labels.given().values()] + [
        rule.words or () for rule in profile.no_pitch
    ]
    return frozenset(word.strip().lower() for words in tables for word in words)


def _carried_by_name(name: str, profile: Profile) -> dict[str, str]:
    name = fit_to_store(name)
    groups = named_values(name, profile.file.name.pattern) if profile.file.name else {}
    return {"@file": name} | {f"@name.{group}": text for group, text in groups.items()}


def _read(data: bytes, profile: Profile) -> RawExport:
    match profile.file.format:
        case "csv" | "tsv":
            from pipeline.exports.readers.delimited import read_delimited

            return read_delimited(data, profile.file)
        case "xlsx":
            from pipeline.exports.readers.excel import read_xlsx

            return read_xlsx(data, profile.file)
        case "json_lines":
            from pipeline.exports.readers.json_records import read_json_lines

            return read_json_lines(data, profile.file)
        case "json":
            from pipeline.exports.readers.json_records import read_json_document

            wanted = frozenset(ref for ref in profile.references() if ref.startswith("@document."))
            return read_json_document(data, profile.file, wanted)
        case "parquet":
            from pipeline.exports.readers.parquet import read_parquet

            return read_parquet(data, profile.file)


def _with_all_columns(raw: RawExport, profile: Profile) -> RawExport:
    """Refuse a table without a column that the profile reads. JSON may leave a key out: it is null there, and a likely new name is reported."""
    wanted = {ref: key for ref, key in profile.references().items() if not ref.startswith("@")}
    missing = [ref for ref in wanted if ref not in raw.cells.columns]
    others = [
        name for name in raw.cells.columns if name not in wanted and name != FILE_ROW and not name.startswith("@")
    ]
    if not missing:
        return raw
    if profile.file.format in ("json", "json_lines") and (len(missing) < len(wanted) or raw.cells.is_empty()):
        return _filled(raw, missing, others, profile)
    if profile.file.format in ("csv", "tsv") and raw.cells.width == 2 and len(others) == 1 < len(missing):
        raise UnreadableExport(
            f"the header is one column, '{printable(others[0], _NAME_SHOWN)}': it does not contain the delimiter '{profile.file.separator}'",
            f"set delimiter in [file] of {profile.file_name} to the character between the names",
        )
    reason = "; ".join(_missing(ref, others, raw.cells.columns) for ref in missing[:10]) + (
        "; …" if len(missing) > 10 else ""
    )
    keys = ", ".join(dict.fromkeys(wanted[ref] for ref in missing[:10]))
    raise UnreadableExport(reason, f"export it with the columns of the profile, or correct {profile.file_name}: {keys}")


def _missing(ref: str, others: list[str], columns: list[str]) -> str:
    twins = [name for name in columns if name.startswith(f"{ref}#")]
    if twins:
        return f"{len(twins)} columns are named '{ref}'; name the one to read: {', '.join(twins)}"
    near = nearest_of(ref, others)
    return f"there is no column '{ref}'" + (f"; nearest: '{printable(near, _NAME_SHOWN)}'" if near else "")


def _filled(raw: RawExport, missing: list[str], others: list[str], profile: Profile) -> RawExport:
    cells = raw.cells.with_columns(pl.lit(None, dtype=pl.String).alias(ref) for ref in missing)
    near = {ref: name for ref in missing if raw.cells.height and (name := nearest_of(ref, others))}
    notes = [
        (
            "value",
            None,
            ref,
            None,
            None,
            f"no record has '{ref}'; nearest: '{name}'",
            f"if it was renamed, correct {profile.file_name}",
        )
        for ref, name in near.items()
    ]
    problems = pl.concat([raw.problems, pl.DataFrame(notes, schema=PROBLEM_SCHEMA, orient="row")])
    return raw._replace(cells=cells, problems=problems)


def _without_long_texts(raw: RawExport, profile: Profile) -> RawExport:
    """Set rows aside with a cell longer than what the profile reads there can be; refuse a file that carries such a value for all rows."""
    limits = {
        ref: LONGEST_LABEL if ref.startswith("@") or key.startswith(("keys.", "labels.")) else LONGEST_CELL
        for ref, key in profile.references().items()
    }
    for ref, limit in limits.items():
        if len(raw.carried.get(ref, "")) > limit:
            raise UnreadableExport(
                f"{ref}, which holds for the complete file, has {len(raw.carried[ref]):,} characters; {limit:,} are allowed",
                f"export the file again, or correct the patterns in {profile.file_name}",
            )
    length = {ref: pl.col(ref).str.len_chars() for ref in limits if not ref.startswith("@")}
    longest = raw.cells.select(size.max().alias(ref) for ref, size in length.items())
    problems = Problems([])
    for ref in [ref for ref in length if (longest.get_column(ref)[0] or 0) > limits[ref]]:
        long = raw.cells.filter(length[ref] > limits[ref])
        rows = long.select(FILE_ROW, pl.col(ref).str.slice(0, SHOWN_CHARACTERS + 1), length[ref].alias("characters"))
        for file_row, value, characters in rows.iter_rows():
            problems.add_row(
                file_row,
                value,
                f"'{printable(ref, _NAME_SHOWN)}' has {characters:,} characters; {limits[ref]:,} are allowed",
                "export the file again, or correct the row",
            )
    if not problems.lines:
        return raw
    found = problems.frame()
    kept = raw.cells.join(found.select(FILE_ROW), on=FILE_ROW, how="anti", maintain_order="left")
    return raw._replace(cells=kept, problems=pl.concat([raw.problems, found]))
