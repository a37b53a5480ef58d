"""Find definitions of a profile that the tracker's own readings contradict: a mirrored axis, a wrong sign, unit, plane or gravity.

Only physics and the rules of the sport are used, no other tracker, so a wrong definition shows from the first export. Each finding needs
many pitches and a clear majority: a few misreads, or one arm's sliders, never make one. Nothing is corrected here; a person decides.
"""

from collections.abc import Iterator

import polars as pl

from pipeline.exports.contradictions.evidence import Evidence, Finding, with_facts
from pipeline.exports.contradictions.signs import (
    check_approach,
    check_fastball_break,
    check_gravity,
    check_gyro_angle,
    check_plate_speed,
    check_sides,
)
from pipeline.exports.contradictions.spin_axis import check_axis_and_breaks, check_fastball_axis
from pipeline.exports.contradictions.usual_ranges import USUAL, check_usual_ranges
from schemas.metrics import METRICS

__all__ = ["COLUMNS", "Evidence", "Finding", "evidence_by_tracker", "find_contradictions"]

# the columns of table sightings that find_contradictions reads
COLUMNS = (
    *("tracker", "pitcher_id", "pitcher_label", "pitcher_native_id", "pitcher_hand"),
    *USUAL,
    "spin_axis_deg",
    "pitch_type",
)


def find_contradictions(evidence: Evidence) -> list[Finding]:
    """Return the definitions of one tracker that its readings contradict, each metric once."""
    pitches = with_facts(evidence.sightings)
    checks = (
        check_gravity,
        check_usual_ranges,
        check_axis_and_breaks,
        check_fastball_axis,
        check_sides,
        check_fastball_break,
        check_plate_speed,
        check_approach,
        check_gyro_angle,
    )
    found: dict[str, Finding] = {}
    for check in checks:
        for finding in check(pitches, evidence):
            found.setdefault(finding.metric, finding)
    return sorted(found.values(), key=lambda finding: list(METRICS).index(finding.metric))


def evidence_by_tracker(
    sightings: pl.DataFrame, impossible: pl.DataFrame, sources: pl.DataFrame
) -> Iterator[tuple[str, Evidence]]:
    """Yield each tracker with its part of the frames. All three have a column `tracker`."""
    trackers: list[str] = sorted(sightings.get_column("tracker").unique().to_list())
    for tracker in trackers:
        parts = (frame.filter(pl.col("tracker") == tracker) for frame in (sightings, impossible, sources))
        yield tracker, Evidence(*parts)
