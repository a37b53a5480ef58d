"""Units of a profile into ours; pint knows them, and is loaded only when a unit is written that is not already ours."""

from functools import lru_cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pint import UnitRegistry

# two spellings of our own units that need no library: "in" names the unit in our column names, "inch" is how pint prefers it
_SAME = {"in": "inch", "inches": "inch"}


class UnknownUnitError(ValueError):
    """A unit that is not known, or that measures another quantity; the message says which."""


@lru_cache(maxsize=512)
def unit_factor(unit: str, ours: str) -> float:
    """Give the number that turns a value in `unit` into one in `ours` ("km/h", "mph" -> 0.621...). Raises UnknownUnitError.

    Turns and angles count as a quantity of their own, so "Hz" is no spin rate (write "revolution/s") and "1" no angle: taking a
    cycle for a radian is an error of 6.28 that no range check would catch.
    """
    if _SAME.get(unit, unit) == ours:
        return 1.0
    factor, base = _root(unit)
    our_factor, our_base = _root(ours)
    if base != our_base:
        hint = "; write revolution/s or rpm" if ours == "rpm" else ""
        raise UnknownUnitError(f"is no unit that can become {ours}{hint}")
    return factor / our_factor


def _root(unit: str) -> tuple[float, Any]:
    """Give a unit's factor to the base units, and the base units with their powers."""
    from pint.errors import PintError

    # a bare number or an empty text would pass for dimensionless
    if unit != "1" and not any(c.isalpha() or c in "%°" for c in unit):
        raise UnknownUnitError("is no unit")
    try:
        factor, base = _registry().get_root_units(unit)
    except (PintError, AssertionError, ValueError, TypeError, AttributeError, SyntaxError) as error:
        # pint's parser fails in many ways on free text
        raise UnknownUnitError(
            "is not a unit that is known; examples: mph, km/h, m/s, cm, deg, rpm, percent"
        ) from error
    return float(str(factor)), dict(base._units)


@lru_cache(maxsize=1)
def _registry() -> "UnitRegistry[float]":
    from pint import UnitRegistry

    try:
        # parsed once, then kept in the user's cache folder: 0.03 s instead of 0.4 s
        return UnitRegistry(cache_folder=":auto:", autoconvert_offset_to_baseunit=False)
    except OSError:
        return UnitRegistry()
