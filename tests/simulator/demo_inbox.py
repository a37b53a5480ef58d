"""Split what the devices saw into export files, and add the faults that real files have."""

from typing import NamedTuple

import polars as pl

from tests.simulator.demo_exports import (
    RADAR_PITCH_TYPES,
    UNIT_PITCH_TYPES,
    UnitHead,
    Written,
    ball_file,
    camera_file,
    local,
    radar_file,
    unit_file,
)
from tests.simulator.demo_people import name_as, stream
from tests.simulator.demo_trackers import everybody

CORRECTED = "g2"  # radar: exported again the next day, names and some readings set right
COPIED = "s3"  # camera: the same file saved twice
NO_CLOCK = {"b1014n04", "b1014n12", "b1028n06", "b1105n03"}  # pen unit files without a time of day
LATIN_1, UTF_16, CUT = "b1019n14", "b1030n16", "b1102n07"  # pen unit
PRINTED_TWICE = "b1013s05"  # pen unit: one session exported twice, the time of export differs
NO_MOUND = {"2026-10-15", "2026-10-23", "2026-10-27", "2026-11-06"}  # ball: no mound entered
OVERLAPPING = "2026-10-20"  # ball: the second log repeats the first one's end
CUT_LOG = "2026-11-02"  # ball: the last record is cut
EMPTY_NAME = "2026-10/radar_2026-10-30_v1.csv"
NO_NUMBER = -999999.0  # a placeholder for a word in a number's cell
WORD_FOR_NUMBER = "no lock"


class Impossible(NamedTuple):
    """One impossible reading: the n-th record of one of the radar's sessions."""

    session: str
    place: int
    column: str
    value: float


IMPOSSIBLE = (
    Impossible("s1", 41, "spin_rate_rpm", 15000.0),
    Impossible("g1", 120, "release_speed_mph", 941.0),
    Impossible("g3", 77, "release_height_ft", -3.2),
    Impossible("g4", 33, "spin_rate_rpm", NO_NUMBER),
    Impossible("g5", 150, "plate_height_ft", 61.0),
)


def radar_exports(seen: pl.DataFrame) -> list[Written]:
    rng = stream("radar words")
    kinds = [RADAR_PITCH_TYPES[k] for k in seen["pitch_type"]]
    odd = rng.random(len(seen)) < 0.003
    kinds = ["junk" if o else "" if m else k for k, o, m in zip(kinds, odd, rng.random(len(seen)) < 0.02, strict=True)]
    seen = seen.with_columns(pitch_type_word=pl.Series(kinds), native_id=_ids(seen, "R"))
    exports = [Written("stadium_radar", EMPTY_NAME, b"", ())]
    for session, rows in _parts(seen, "session"):
        rows = _with_impossible(rows, session)
        name = f"{rows['baseball_day'][0]:%Y-%m}/radar_{rows['baseball_day'][0]}_v1.csv"
        first = _with_words(radar_file(rows, name))
        if session == CORRECTED:
            exports.append(_superseded(first))
            exports.append(radar_file(_corrected(rows), name.replace("_v1", "_v2")))
        else:
            exports.append(first)
    return exports


def camera_exports(seen: pl.DataFrame) -> list[Written]:
    seen = seen.with_columns(native_id=_ids(seen, "KF"))
    exports = []
    for session, rows in _parts(seen, "session"):
        written = camera_file(rows, f"camera_{rows['baseball_day'][0]}.xlsx")
        exports.append(written)
        if session == COPIED:
            exports.append(_repeated(written, f"Copy of {written.name}"))
    return exports


def unit_exports(seen: pl.DataFrame) -> list[Written]:
    """Return one file per bullpen; where the operator changed the name late, the previous file has the next pitcher's first throws."""
    words = [
        ("Einwerfen" if s == "warm_up" else UNIT_PITCH_TYPES[k])
        for s, k in seen.select("shown", "pitch_type").iter_rows()
    ]
    before = {"b1021n10": "b1021n03", "b1103n09": "b1103n10"}
    moved = pl.when(pl.col("label_fault") == "stale").then(pl.col("session").replace(before)).otherwise("session")
    seen = seen.with_columns(pitch_type_word=pl.Series(words), file_session=moved)
    seen = seen.with_columns(native_id=pl.int_range(1, pl.len() + 1).over("file_session").cast(pl.String))
    exports = []
    for session, rows in _parts(seen, "file_session"):
        exports += _unit_files(session, rows)
    return exports


def _unit_files(session: str, rows: pl.DataFrame) -> list[Written]:
    start, mound = rows["device_at"][0], "Nord" if session[5] == "n" else "Süd"
    day = rows["baseball_day"][0]
    made = local(rows["device_at"][-1] + 95, "%d.%m.%Y %H:%M")
    head = UnitHead(f"{day:%d.%m.%Y}", rows["label"][0], mound, f"M3-{session[1:5]}{session[6:]}", made)
    name = f"{day:%Y%m%d}/wurf_{local(start, '%Y%m%d_%H%M')}_{mound.replace('ü', 'ue')}.csv"
    if session in (LATIN_1, UTF_16):
        return [_lost(unit_file(rows, name, head, True, "latin-1" if session == LATIN_1 else "utf-16"))]
    written = unit_file(rows, name, head, session not in NO_CLOCK)
    if session == CUT:
        return [_cut_csv(written)]
    if session == PRINTED_TWICE:
        later = local(rows["device_at"][-1] + 5 * 3600, "%d.%m.%Y %H:%M")
        again = unit_file(rows, name.replace(".csv", "_2.csv"), head._replace(made=later), True)
        return [written, _repeated(again, again.name)]
    return [written]


def ball_exports(seen: pl.DataFrame) -> list[Written]:
    mounds = pl.col("station").replace_strict(
        {"pen_north": "north bullpen", "pen_south": "south bullpen", "field": "game field"}
    )
    unnamed = pl.col("baseball_day").cast(pl.String).is_in(list(NO_MOUND))
    seen = seen.with_columns(mound=pl.when(~unnamed).then(mounds), native_id=_ids(seen, "B"))
    exports = []
    for day, rows in _parts(seen.with_columns(day=pl.col("baseball_day").cast(pl.String)), "day"):
        name = f"{day}/ball_{day}.jsonl"
        if day == OVERLAPPING:
            half = len(rows) // 2
            exports.append(ball_file(rows[:half], name))
            exports.append(_repeat_rows(ball_file(rows[half - 12 :], name.replace(".jsonl", "_2.jsonl")), 12))
        else:
            exports.append(_cut_log(ball_file(rows, name)) if day == CUT_LOG else ball_file(rows, name))
    return exports


def _ids(seen: pl.DataFrame, letters: str) -> pl.Expr:
    number = pl.int_range(1, pl.len() + 1).over("baseball_day").cast(pl.String).str.zfill(4)
    return pl.format(letters + "{}-{}", pl.col("baseball_day").dt.strftime("%m%d"), number)


def _parts(seen: pl.DataFrame, by: str) -> list[tuple[str, pl.DataFrame]]:
    return [(str(key[0]), part) for key, part in seen.group_by(by, maintain_order=True)]


def _with_impossible(rows: pl.DataFrame, session: str) -> pl.DataFrame:
    rows = rows.with_row_index("place")
    for fault in IMPOSSIBLE:
        if fault.session == session:
            here = pl.col("place") == fault.place
            kind = "word" if fault.value == NO_NUMBER else "impossible"
            rows = rows.with_columns(
                pl.when(here).then(fault.value).otherwise(fault.column).alias(fault.column),
                value_fault=pl.when(here).then(pl.lit(f"{kind}:{fault.column}")).otherwise("value_fault"),
            )
    return rows.drop("place")


def _with_words(written: Written) -> Written:
    return written._replace(content=written.content.replace(f"{NO_NUMBER:.0f}".encode(), WORD_FOR_NUMBER.encode()))


def _corrected(rows: pl.DataFrame) -> pl.DataFrame:
    """Return a corrected game: names spelled right, stale names replaced, pitch types filled in, misreads removed."""
    names = {p.player_id: name_as(p, "last_first") for p in everybody().values()}
    corrected = {
        name: pl.when(pl.col("value_fault") == f"misread:{name}").then(None).otherwise(name)
        for name in (
            "release_speed_mph",
            "plate_speed_mph",
            "spin_rate_rpm",
            "extension_ft",
            "plate_height_ft",
            "plate_side_ft",
        )
    }
    is_open = ~pl.col("value_fault").is_in([f"misread:{name}" for name in corrected])
    return rows.with_columns(
        **corrected,
        value_fault=pl.when(is_open).then("value_fault"),
        label_id="pitcher",
        label=pl.col("pitcher").replace_strict(names),
        label_fault=pl.lit(None, dtype=pl.String),
        pitch_type_word=pl.col("pitch_type").replace_strict(RADAR_PITCH_TYPES),
    )


def _superseded(written: Written) -> Written:
    return written._replace(lines=tuple(line._replace(record="superseded") for line in written.lines))


def _repeated(written: Written, name: str) -> Written:
    return written._replace(name=name, lines=tuple(line._replace(record="repeat") for line in written.lines))


def _repeat_rows(written: Written, count: int) -> Written:
    return written._replace(
        lines=tuple(line._replace(record="repeat") if i < count else line for i, line in enumerate(written.lines))
    )


def _lost(written: Written) -> Written:
    return written._replace(lines=tuple(line._replace(record="lost") for line in written.lines))


def _cut_csv(written: Written) -> Written:
    """The file ends in the middle of a row, after its sixth cell."""
    rows = written.content.split(b"\r\n")
    last = int(written.lines[int(len(written.lines) * 0.7)].file_row)
    content = b"\r\n".join(rows[: last - 1]) + b"\r\n" + b";".join(rows[last - 1].split(b";")[:6])
    lines = tuple(line for line in written.lines if line.file_row < last)
    cut = next(line for line in written.lines if line.file_row == last)
    return written._replace(content=content, lines=(*lines, cut._replace(record="lost")))


def _cut_log(written: Written) -> Written:
    *lines, cut = written.lines
    return written._replace(content=written.content[:-61], lines=(*lines, cut._replace(record="lost")))
