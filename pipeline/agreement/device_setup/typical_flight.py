"""Typical flights and simple flight geometry, for missing readings."""

from typing import TypeVar

import numpy as np
import polars as pl

from pipeline.physics.flight import FPS_PER_MPH, G_FPS2

# A college pitcher's usual extension, in feet from the rubber (from memory).
USUAL_EXTENSION_FT = 6.0
# Release to front edge at that extension.
FLIGHT_FT = 53.1
# A pitch's usual flight time, in seconds (from memory).
USUAL_FLIGHT_S = 0.42
# Usual height at release, in feet (from memory).
USUAL_RELEASE_HEIGHT_FT = 5.8
# Usual height at the plate, in feet (from memory).
USUAL_PLATE_HEIGHT_FT = 2.4
# How far a pitch with 10 in of induced vertical break falls below its line of launch, in feet.
USUAL_FALL_FT = -2.0
# Slope dz/dy at the plate of a pitch that comes down at 6 degrees.
USUAL_SLOPE_DOWN = 0.105
# Mean speed over the flight as a share of the release speed (drag; simulated flights).
_MEAN_OVER_RELEASE_SPEED = 0.956

Numbers = TypeVar("Numbers", np.ndarray, pl.Expr)


def usual_flight_s(release_speed_mph: Numbers) -> Numbers:
    """Return the usual flight time in seconds, from release to front edge."""
    return FLIGHT_FT / (release_speed_mph * FPS_PER_MPH * _MEAN_OVER_RELEASE_SPEED)


def bends_ft(
    horizontal_break_in: Numbers, induced_vertical_break_in: Numbers, flight_s: Numbers
) -> tuple[Numbers, Numbers]:
    """Return how far a flight leaves its line of launch by the front edge.

    Sideways and up in feet, gravity included.
    """
    return horizontal_break_in / 12, induced_vertical_break_in / 12 - G_FPS2 * flight_s**2 / 2


def slope_from_ends(release: Numbers, plate: Numbers, bend: Numbers, gap: Numbers) -> Numbers:
    """Return dx/dy (or dz/dy) at the plate from a flight's two ends.

    The ends are `gap` feet apart. It is the slope of the straight line between them, less the part that the flight bends.
    """
    slope: Numbers = (release - plate - bend) / gap
    return slope
