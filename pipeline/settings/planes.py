"""Planes across the flight, as a profile names them: release, the plate's edges, or a distance."""

import re
from functools import lru_cache
from typing import Annotated, NamedTuple

from pydantic import AfterValidator, Field

from pipeline.physics.flight import FRONT_EDGE_FT, RUBBER_FT
from pipeline.physics.units import UnknownUnitError, unit_factor
from pipeline.settings.problems import value_problem

PLANES = ("release", "front_edge", "back_tip")
PLANE_EXAMPLES = (*PLANES, "50 ft", "15.24 m", "16 m from front_edge", "5 ft from rubber")
PLANE_HELP = (
    "release, front_edge or back_tip of the plate, or a distance from the back tip (50 ft, 15.24 m), "
    "from front_edge or from rubber (5 ft from rubber)"
)
_DISTANCE = re.compile(
    r"^(?P<number>\d+(?:\.\d+)?)\s*(?P<unit>\S.*?)(?:\s+from\s+(?P<origin>rubber|front_edge|back_tip))?$"
)
# a plane farther behind the plate's back tip is taken for a typing error (common practice, no source)
_FARTHEST_BEHIND_FT = -5


class Plane(NamedTuple):
    """A plane across the flight: feet from the plate's back tip, or None for release, which differs by pitch."""

    y_ft: float | None


RELEASE = Plane(None)
FRONT_EDGE = Plane(FRONT_EDGE_FT)
_NAMED = {"release": RELEASE, "front_edge": FRONT_EDGE, "back_tip": Plane(0.0)}


@lru_cache(maxsize=512)
def parse_plane(text: str) -> Plane:
    """Read a plane such as "release", "50 ft" or "5 ft from rubber". Raises ValueError."""
    if text in _NAMED:
        return _NAMED[text]
    found = _DISTANCE.match(text)
    if not found:
        raise ValueError("is not a plane")
    distance = float(found["number"]) * unit_factor(found["unit"], "ft")
    places = {"rubber": RUBBER_FT - distance, "front_edge": FRONT_EDGE_FT + distance}
    return Plane(places.get(found["origin"], distance))


def check_span(start: str, end: str) -> None:
    """Raise if `start` is not farther from the plate than `end`."""
    start_ft, end_ft = parse_plane(start).y_ft, parse_plane(end).y_ft
    if end_ft is None or (start_ft is not None and start_ft <= end_ft):
        raise value_problem(f'start = "{start}" must be farther from the plate than end = "{end}"')


def _check_plane(text: str) -> str:
    try:
        y_ft = parse_plane(text).y_ft
    except UnknownUnitError as error:
        raise value_problem(f"is not a plane: its unit {error}", PLANE_EXAMPLES) from error
    except ValueError as error:
        raise value_problem("is not a plane", PLANE_EXAMPLES, text) from error
    if y_ft is not None and not _FARTHEST_BEHIND_FT <= y_ft <= RUBBER_FT:
        raise value_problem(
            f"is {y_ft:.1f} ft from the plate's back tip, which is not between plate and rubber", PLANE_EXAMPLES
        )
    return text


PlaneText = Annotated[str, AfterValidator(_check_plane), Field(examples=list(PLANE_EXAMPLES))]
