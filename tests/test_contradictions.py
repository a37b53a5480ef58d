"""Definitions that one tracker's own readings contradict: each wrong definition is named, and sound data never are."""

import numpy as np
import polars as pl
import pytest

from pipeline.exports.contradictions import Evidence, find_contradictions
from pipeline.exports.mapping.null_reasons import Why
from schemas.exports import METRIC_SOURCES
from schemas.tables import TABLES

# speed (mph), horizontal break toward the arm side and induced vertical break (in) of three usual pitch types (from memory)
TYPES = {"four_seam": (90.0, 8.0, 16.0), "slider": (81.0, -6.0, 2.0), "curveball": (75.0, -8.0, -11.0)}
SOURCES = {
    "extension_ft": ("ft", "distance of release from rubber"),
    "release_speed_mph": ("mph", "speed (3-D) at release"),
    "release_height_ft": ("ft", "height from ground at release"),
    "spin_efficiency": ("1", "active spin as a share of total spin"),
}


def pitches(
    seed: int = 1,
    each: int = 20,
    arms: str = "RRL",
    axis_noise: float = 17.0,
    types: dict[str, tuple[float, float, float]] = TYPES,
) -> pl.DataFrame:
    """Return sightings of arms, `each` of a type, with an axis as far from the break as two published data sets show (median 17 deg)."""
    rng = np.random.default_rng(seed)
    rows = []
    for number, hand in enumerate(arms):
        side = -1 if hand == "R" else 1
        for speed, run, lift in types.values():
            for _ in range(each):
                across, up = side * run + rng.normal(0, 2), lift + rng.normal(0, 2)
                axis = np.degrees(np.arctan2(across, -up)) + rng.laplace(0, axis_noise / np.log(2))
                rows.append({
                    "pitcher_label": f"arm {number}",
                    "pitcher_hand": "right" if hand == "R" else "left",
                    "release_speed_mph": speed + rng.normal(0, 1),
                    "plate_speed_mph": 0.92 * speed + rng.normal(0, 0.5),
                    "spin_rate_rpm": 2200 + rng.normal(0, 100),
                    "spin_axis_deg": axis % 360,
                    "horizontal_break_in": across,
                    "induced_vertical_break_in": up,
                    "release_height_ft": 5.8 + rng.normal(0, 0.2),
                    "release_side_ft": side * 1.8 + rng.normal(0, 0.2),
                    "extension_ft": 6.2 + rng.normal(0, 0.3),
                    "plate_height_ft": 2.5 + rng.normal(0, 0.8),
                    "vertical_approach_deg": -6 + rng.normal(0, 1.5),
                    "spin_efficiency": 0.85,
                })  # fmt: skip
    schema = TABLES["sightings"].polars_schema()
    frame = pl.DataFrame(rows)
    return frame.with_columns(
        pl.lit(None, dtype).alias(name) for name, dtype in schema.items() if name not in frame.columns
    )


def findings(
    sightings: pl.DataFrame, impossible: dict[str, list[float]] | None = None, **sources: tuple[str, str]
) -> dict[str, str]:
    """Return the problem and what to do, by metric."""
    lines = [
        {"tracker": "t", "metric": metric, "unit": unit, "definition": definition}
        for metric, (unit, definition) in (SOURCES | sources).items()
    ]
    removed = [(metric, value) for metric, values in (impossible or {}).items() for value in values]
    evidence = Evidence(
        sightings,
        pl.DataFrame(removed, schema={"metric": pl.String, "value": pl.Float64}, orient="row"),
        pl.DataFrame(lines, schema=METRIC_SOURCES.polars_schema()),
    )
    return {found.metric: f"{found.problem} {found.what_to_do}" for found in find_contradictions(evidence)}


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("arms", ["R", "L", "RL", "RRL"])
def test_sound_readings_contradict_nothing(seed: int, arms: str) -> None:
    assert findings(pitches(seed, arms=arms)) == {}
    assert findings(pitches(seed, arms=arms).with_columns(pitcher_hand=pl.lit(None, pl.String))) == {}


# arms that throw one pitch only, or from below: name, pitch types, arms, and a turn of the axis from the break as the seams make it (deg)
UNUSUAL = {
    "sinkers of one arm": ({"sinker": (91.0, 15.0, 6.0)}, "R", 45.0),
    "gyro sliders with an axis of noise": ({"slider": (84.0, -4.0, 4.0)}, "RL", 0.0),
    "submarine": ({"four_seam": (84.0, 16.0, -6.0), "slider": (76.0, -8.0, 6.0)}, "RR", 0.0),
    "cutters": ({"cutter": (89.0, -3.0, 9.0)}, "RR", 0.0),
    "curveballs": ({"curveball": (76.0, -9.0, -12.0)}, "RL", 0.0),
    "sweepers": ({"sweeper": (80.0, -15.0, 1.0)}, "RL", 0.0),
}


@pytest.mark.parametrize("name", UNUSUAL)
def test_unusual_arms_contradict_nothing(name: str) -> None:
    types, arms, turn = UNUSUAL[name]
    noise = 60.0 if "noise" in name else 17.0
    for seed in range(6):
        thrown = pitches(seed, each=60, arms=arms, axis_noise=noise, types=types)
        turned = thrown.with_columns(spin_axis_deg=(AXIS + turn) % 360)
        assert findings(turned) == {}
        assert findings(turned.with_columns(pitcher_hand=pl.lit(None, pl.String))) == {}


AXIS = pl.col("spin_axis_deg")
# what an axis of a different convention reads, by the definition (x, z) = (sin a, -cos a): see DEVELOPERS.md, frames
CHANGED_AXES = {
    "the other view": ((360 - AXIS) % 360, "view"),
    "turned by 180": ((AXIS + 180) % 360, "backspin_at"),
    "upside down": ((540 - AXIS) % 360, "upside down"),
    "backspin at the side": ((AXIS + 90) % 360, "backspin_at"),
}


@pytest.mark.parametrize("name", CHANGED_AXES)
@pytest.mark.parametrize("arms", ["R", "L", "RRL"])
def test_an_axis_of_another_convention_is_reported_with_the_answer(name: str, arms: str) -> None:
    changed, answer = CHANGED_AXES[name]
    found = findings(pitches(arms=arms).with_columns(spin_axis_deg=changed))
    assert list(found) == ["spin_axis_deg"]
    assert answer in found["spin_axis_deg"]


def test_a_mirrored_break_is_told_from_a_mirrored_axis_by_the_fastballs() -> None:
    mirrored = pitches().with_columns(-pl.col("horizontal_break_in"))
    found = findings(mirrored)
    assert list(found) == ["horizontal_break_in"]
    assert "the other side as positive" in found["horizontal_break_in"]
    # without a hand and a release side nobody can tell: both are named
    blind = mirrored.with_columns(pitcher_hand=pl.lit(None, pl.String), release_side_ft=pl.lit(None, pl.Float64))
    assert "One of them is mirrored" in findings(blind)["spin_axis_deg"]


def test_an_axis_without_breaks_is_judged_by_fastballs_and_hands() -> None:
    """A fastball has backspin and runs to the arm side (from memory)."""
    base = pitches(each=40).with_columns(
        pl.lit(None, pl.Float64).alias(name) for name in ("horizontal_break_in", "induced_vertical_break_in")
    )
    assert findings(base) == {}
    mirrored = findings(base.with_columns(spin_axis_deg=(360 - AXIS) % 360))
    assert "to the glove side" in mirrored["spin_axis_deg"]
    assert "backspin_at" in findings(base.with_columns(spin_axis_deg=(AXIS + 180) % 360))["spin_axis_deg"]


def test_an_axis_of_noise_is_reported_without_an_answer() -> None:
    rng = np.random.default_rng(3)
    base = pitches()
    found = findings(base.with_columns(spin_axis_deg=pl.Series(rng.uniform(0, 360, base.height))))
    assert "no simple change explains it" in found["spin_axis_deg"]


def test_few_pitches_and_sliders_with_little_break_show_nothing() -> None:
    mirrored = pitches(each=6, arms="R").with_columns(spin_axis_deg=(360 - AXIS) % 360)
    assert findings(mirrored) == {}
    gyro = pitches(each=60, arms="R").with_columns(
        horizontal_break_in=pl.col("horizontal_break_in") / 4,
        induced_vertical_break_in=pl.col("induced_vertical_break_in") / 4,
    )
    assert findings(gyro.with_columns(spin_axis_deg=(360 - AXIS) % 360)) == {}


def test_breaks_with_gravity_stated_as_without_are_reported() -> None:
    """Half of g t^2 with t = 54 ft at the mean speed: 30 to 50 in of drop."""
    drop = 12 * 16.087 * (54 / (0.95 * 1.467 * pl.col("release_speed_mph"))) ** 2
    found = findings(pitches().with_columns(pl.col("induced_vertical_break_in") - drop))
    assert "gravity" in found["induced_vertical_break_in"]
    alone = pitches().with_columns(pl.col("induced_vertical_break_in") - drop, spin_axis_deg=pl.lit(None, pl.Float64))
    assert 'gravity = "in"' in findings(alone)["induced_vertical_break_in"]


def test_upward_breaks_with_gravity_in_are_reported() -> None:
    lines = {"tracker": "t", "metric": "induced_vertical_break_in", "null_reason": Why.RISING.text, "affected": 150}
    evidence = Evidence(
        pitches().with_columns(induced_vertical_break_in=pl.lit(None, pl.Float64)),
        pl.DataFrame(schema={"metric": pl.String, "value": pl.Float64}),
        pl.DataFrame([lines], schema=METRIC_SOURCES.polars_schema()),
    )
    (found,) = find_contradictions(evidence)
    assert 'gravity = "out"' in found.what_to_do
    assert "150 pitches" in found.problem


def test_an_extension_of_54_ft_is_the_distance_from_the_plate() -> None:
    """The rubber's front edge is 60.5 ft from the back tip (Official Baseball Rules 2.07)."""
    base = pitches()
    distances = (60.5 - base.get_column("extension_ft")).to_list()
    nulled = base.with_columns(extension_ft=pl.lit(None, pl.Float64))
    found = findings(nulled, {"extension_ft": distances})
    assert 'measured_from = "back_tip" (then 6.2 ft)' in found["extension_ft"]
    stated = findings(nulled, {"extension_ft": distances}, extension_ft=("ft", "distance of release from back_tip"))
    assert 'measured_from = "rubber"' in stated["extension_ft"]


@pytest.mark.parametrize(
    ("metric", "factor", "answer"),
    [
        # exact factors of units: 0.3048 m and 12 in a foot; 1.609344 km in a mile
        ("extension_ft", 0.3048, 'unit = "m"'),
        ("release_height_ft", 12.0, 'unit = "inch"'),
        ("release_height_ft", 0.3048, 'unit = "m"'),
        ("release_speed_mph", 1.609344, 'unit = "km/h"'),
        ("release_speed_mph", 0.44704, 'unit = "m/s"'),
    ],
)
def test_a_wrong_unit_is_reported_with_the_right_one(metric: str, factor: float, answer: str) -> None:
    readings = pitches().get_column(metric) * factor
    found = findings(pitches().with_columns(pl.lit(None, pl.Float64).alias(metric)), {metric: readings.to_list()})
    assert answer in found[metric]


def test_a_submarine_pitcher_alone_is_no_wrong_unit() -> None:
    low = pitches(arms="R").with_columns(release_height_ft=pl.col("release_height_ft") - 4.1)
    assert findings(low) == {}


def test_a_release_side_against_the_hand_is_mirrored_or_counts_by_the_arm() -> None:
    side = pl.col("release_side_ft")
    assert "the other side" in findings(pitches().with_columns(-side))["release_side_ft"]
    assert '"arm_side"' in findings(pitches().with_columns(side.abs()))["release_side_ft"]


def test_speeds_and_angles_that_no_pitch_has_are_reported() -> None:
    swapped = pitches().rename({"release_speed_mph": "plate_speed_mph", "plate_speed_mph": "release_speed_mph"})
    assert "swapped" in findings(swapped)["plate_speed_mph"]
    rising = pitches().with_columns(-pl.col("vertical_approach_deg"))
    assert 'positive = "down"' in findings(rising)["vertical_approach_deg"]
    gyro = findings(
        pitches().with_columns(spin_efficiency=pl.lit(0.3)),
        spin_efficiency=("deg", "gyro angle measured from the velocity"),
    )
    assert "gyro_from" in gyro["spin_efficiency"]
