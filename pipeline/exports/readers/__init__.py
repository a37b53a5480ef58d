"""Exports as text, one reader per file format. Any fault of a file becomes UnreadableExport, any fault of a row a line of `problems`."""

import re
from fnmatch import fnmatchcase
from pathlib import Path

import polars as pl

from pipeline.exports.inbox import fit_to_store
from pipeline.exports.readers.raw import (
    FILE_ROW,
    PROBLEM_SCHEMA,
    RawExport,
    UnreadableExport,
    any_fault_told,
    bytes_of,
    check_size,
    printable,
)
from pipeline.settings.problems import nearest_of
from pipeline.settings.profile import Profile

__all__ = ["RawExport", "UnreadableExport", "read_export"]

# a header that was parted at the wrong sign is one name as long as the line
_NAME_SHOWN = 60


def read_export(path: Path, profile: Profile, content: bytes | None = None) -> RawExport:
    """Read an export as its profile describes it: every cell as text, with its place in the file.

    `content`: its bytes, where they are at hand; else they are read from `path`. Raises UnreadableExport where the file as a whole can't be
    taken; nothing else, whatever its bytes.
    """
    if not fnmatchcase(path.name.lower(), profile.file.name_pattern.lower()):
        raise UnreadableExport(
            f"the name does not fit '{profile.file.name_pattern}', which {profile.file_name} states",
            "move the file, or mend name_pattern in the profile's [file]",
        )
    data = bytes_of(path) if content is None else content
    check_size(len(data))
    with any_fault_told():
        raw = _read(data, profile)
    raw = _with_all_columns(raw, profile)
    return raw._replace(carried=raw.carried | _carried_by_name(path.name, profile))


def _carried_by_name(name: str, profile: Profile) -> dict[str, str]:
    found = re.search(profile.file.name.pattern, name) if profile.file.name else None
    groups = {f"@name.{group}": text for group, text in found.groupdict().items() if text is not None} if found else {}
    return {ref: fit_to_store(text) for ref, text in {"@file": name, **groups}.items()}


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
    """Refuse a table without a column that the profile reads. In JSON a key may be left out: there it is null, and a likely renaming is told."""
    wanted = {ref: key for ref, key in profile.references().items() if not ref.startswith("@")}
    missing = [ref for ref in wanted if ref not in raw.cells.columns]
    others = [name for name in raw.cells.columns if name not in wanted and name != FILE_ROW]
    if not missing:
        return raw
    if profile.file.format in ("json", "json_lines") and (len(missing) < len(wanted) or raw.cells.is_empty()):
        return _filled(raw, missing, others, profile)
    if profile.file.format in ("csv", "tsv") and raw.cells.width == 2 and len(others) == 1 < len(missing):
        raise UnreadableExport(
            f"the header is one column: '{printable(others[0], _NAME_SHOWN)}'; '{profile.file.separator}' parts nothing in it",
            f"set delimiter in [file] of {profile.file_name} to the sign that stands between the names",
        )
    told = "; ".join(_missing(ref, others, raw.cells.columns) for ref in missing[:10]) + (
        "; …" if len(missing) > 10 else ""
    )
    keys = ", ".join(dict.fromkeys(wanted[ref] for ref in missing[:10]))
    raise UnreadableExport(told, f"export it with the columns of the profile, or mend {profile.file_name}: {keys}")


def _missing(ref: str, others: list[str], columns: list[str]) -> str:
    twins = [name for name in columns if name.startswith(f"{ref}#")]
    if twins:
        return f"column '{ref}' stands {len(twins)} times; say which: {', '.join(twins)}"
    near = nearest_of(ref, others)
    return f"no column '{ref}'" + (f"; nearest: '{printable(near, _NAME_SHOWN)}'" if near else "")


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
            f"if it was renamed, mend {profile.file_name}",
        )
        for ref, name in near.items()
    ]
    problems = pl.concat([raw.problems, pl.DataFrame(notes, schema=PROBLEM_SCHEMA, orient="row")])
    return raw._replace(cells=cells, problems=problems)
