"""Write the demo's invented inputs: `python -m tests.simulator.demo_world demo_inputs` rewrites roster.csv, inbox/ and truth/.

Everything comes from one seed, so that a second run writes the same bytes. ledger.toml, profiles/ and decisions.csv are written by
hand and not changed. truth/ records every fault that was added on purpose, for the tests.
"""

import csv
import io
import shutil
import sys
from datetime import date
from pathlib import Path
from typing import NamedTuple

import polars as pl

from tests.simulator import demo_inbox as inbox
from tests.simulator import demo_trackers as trackers
from tests.simulator.demo_exports import Written
from tests.simulator.demo_people import own_players
from tests.simulator.demo_truth import true_throws


class World(NamedTuple):
    """`throws`: the truth of every throw; `seen`: what each tracker saw; `exports`: the files made of it."""

    throws: pl.DataFrame
    seen: dict[str, pl.DataFrame]
    exports: list[Written]


def make_world() -> World:
    throws, flights = true_throws()
    seen = {
        "stadium_radar": trackers.see_radar(throws, flights),
        "camera_array": trackers.see_camera(throws, flights),
        "pen_unit": trackers.see_pen_unit(throws, flights),
        "ball": trackers.see_ball(throws, flights),
    }
    exports = [
        *inbox.radar_exports(seen["stadium_radar"]),
        *inbox.camera_exports(seen["camera_array"]),
        *inbox.unit_exports(seen["pen_unit"]),
        *inbox.ball_exports(seen["ball"]),
    ]
    return World(throws, seen, exports)


def write_world(folder: Path) -> World:
    world = make_world()
    for part in ("inbox", "truth"):
        shutil.rmtree(folder / part, ignore_errors=True)
    for written in world.exports:
        path = folder / "inbox" / written.tracker / written.name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(written.content)
    (folder / "roster.csv").write_text(roster_text(), encoding="utf-8")
    truth = folder / "truth"
    truth.mkdir(parents=True)
    true_pitches(world.throws).write_parquet(truth / "truth_pitches.parquet", compression="zstd")
    true_sightings(world.exports).write_parquet(truth / "truth_sightings.parquet", compression="zstd")
    true_clocks(world.seen).write_csv(truth / "truth_clocks.csv")
    true_faults().write_csv(truth / "truth_faults.csv")
    return world


def true_pitches(throws: pl.DataFrame) -> pl.DataFrame:
    """One row a pitch: who, when (UTC), and the true value of every metric."""
    thrown_at = pl.from_epoch((pl.col("at") * 1000).round().cast(pl.Int64), time_unit="ms").dt.replace_time_zone("UTC")
    pitches = throws.filter(pl.col("kind") == "pitch").select(
        "key", pl.exclude("key", "at", "kind"), thrown_at=thrown_at
    )
    return pitches.with_columns(
        pl.selectors.float().round(4).cast(pl.Float32), pl.col("inning", "outs", "balls", "strikes").cast(pl.Int8)
    )


def true_sightings(exports: list[Written]) -> pl.DataFrame:
    """One row a record of any export."""
    rows = [(w.tracker, w.name, *line) for w in exports for line in w.lines]
    schema = {
        "tracker": pl.String,
        "file_name": pl.String,
        "file_row": pl.UInt32,
        "native_id": pl.String,
        "pitch_key": pl.String,
    }
    more = {"record": pl.String, "label_fault": pl.String, "value_fault": pl.String}
    return pl.DataFrame(rows, schema={**schema, **more}, orient="row")


def true_clocks(seen: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """One row a tracker and spell of its clock; offsets are device time minus true time."""
    parts = []
    for tracker, rows in seen.items():
        clocks = pl.DataFrame(
            [trackers.clock_of(tracker, s) for s in sorted(set(rows["spell"]))],
            schema=trackers.Clock._fields,
            orient="row",
        )
        gap = pl.col("device_at") - pl.col("at") - pl.col("shift_s")
        spans = rows.group_by("spell").agg(
            pl.col("baseball_day").first(), stations=pl.col("station").unique().sort().str.join(" "), records=pl.len(),
            offset_start_s=gap.first().round(3), offset_end_s=gap.last().round(3),
        )  # fmt: skip
        parts.append(
            clocks.drop("offset_s")
            .with_columns(pl.col("drift_ppm").round(2))
            .join(spans, on="spell", maintain_order="left")
        )
    return pl.concat(parts)


def true_faults() -> pl.DataFrame:
    """What was done on purpose, one line each: `what`, whom, where or since when, how much."""
    t = trackers
    rows = [
        ("reads_hot", "stadium_radar", "", t.HOT_FROM, None, t.HOT_MPH, "release and plate speed"),
        (
            "turned",
            "pen_unit",
            "",
            t.CROOKED_FROM,
            t.CROOKED_TO,
            t.CROOKED_DEG,
            "degrees about the vertical, aimed toward first base",
        ),
        (
            "hour_slip",
            "camera_array",
            t.SLIP_SESSION,
            None,
            None,
            t.SLIP_S,
            "kept summer time on the first day of winter time",
        ),
        ("clock_step", "camera_array", t.STEP_SESSION, None, None, t.STEP_S, f"from inning {t.STEP_INNING} on"),
        *(
            ("lost_inning", tracker, session, None, None, float(inning), "inning")
            for tracker, (session, inning) in t.LOST_INNINGS.items()
        ),
        *(
            ("misspelt", tracker, session, None, None, None, typed)
            for (tracker, session, _), typed in t.MISSPELT.items()
        ),
        *(
            ("stale_name", "pen_unit", session, None, None, float(n), f"records under {old}")
            for session, (old, n) in t.STALE_PEN.items()
        ),
        *((_impossible_kind(i), "stadium_radar", i.session, None, None, i.value, i.column) for i in inbox.IMPOSSIBLE),
        ("unknown_player", "", "s3", None, None, None, "Rusk Ollerby; also bullpen b1105n17"),
        ("corrected_export", "stadium_radar", inbox.CORRECTED, None, None, None, "_v2 supersedes _v1"),
        ("copied_file", "camera_array", inbox.COPIED, None, None, None, "same bytes"),
        ("exported_twice", "pen_unit", inbox.PRINTED_TWICE, None, None, None, "same records, other time of export"),
        ("overlapping_log", "ball", "s1", None, None, 12.0, "records in both logs"),
        ("empty_file", "stadium_radar", "", None, None, None, inbox.EMPTY_NAME),
        ("cut_file", "pen_unit", inbox.CUT, None, None, None, "in the middle of a row"),
        ("cut_file", "ball", "b1102", None, None, None, "in the middle of the last record"),
        ("wrong_encoding", "pen_unit", inbox.LATIN_1, None, None, None, "latin-1"),
        ("wrong_encoding", "pen_unit", inbox.UTF_16, None, None, None, "utf-16"),
        *(("no_stamps", "pen_unit", session, None, None, None, "order only") for session in sorted(inbox.NO_CLOCK)),
        *(
            (
                "no_station",
                "ball",
                "",
                date.fromisoformat(day),
                date.fromisoformat(day),
                None,
                "to be found by matching",
            )
            for day in sorted(inbox.NO_MOUND)
        ),
    ]
    names = ("what", "tracker", "session", "from", "to", "size", "note")
    schema = dict(zip(names, (pl.String, pl.String, pl.String, pl.Date, pl.Date, pl.Float64, pl.String), strict=True))
    return pl.DataFrame(rows, schema=schema, orient="row")


def _impossible_kind(fault: inbox.Impossible) -> str:
    return "word_for_number" if fault.value == inbox.NO_NUMBER else "impossible_value"


def roster_text() -> str:
    """roster.csv: our players; the numbers by which the radar and the ball know them."""
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\n")
    table.writerow(["player_id", "name", "hand", "team", "other_names", "tracker_ids"])
    for p in own_players():
        ids = [f"stadium_radar:{p.number}"] + ([f"ball:{p.tag}"] if p.tag else [])
        other = "Joaco Vellospardo" if p.player_id == "hs03" else ""
        table.writerow([p.player_id, f"{p.first} {p.last}", p.hand, "us", other, ";".join(ids)])
    return text.getvalue()


def main() -> None:
    if len(sys.argv) != 2:
        sys.exit("usage: python -m tests.simulator.demo_world FOLDER")
    folder = Path(sys.argv[1])
    world = write_world(folder)
    total = sum(len(w.content) for w in world.exports)
    print(f"{len(world.exports)} exports, {total / 1e6:.2f} MB, {world.throws['key'].count()} pitches -> {folder}")


if __name__ == "__main__":
    main()
