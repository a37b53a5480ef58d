"""Convert a profile's units to ours. Pint does it, but is loaded only for an unusual unit: its import costs a tenth of a nightly run."""

from functools import lru_cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pint import UnitRegistry

# the usual units of trackers, each in a base unit of its quantity: exact by definition (NIST SP 811, appendix B.8: 1 ft = 0.3048 m,
# 1 mile = 5280 ft). A test compares them with pint. Our column names write "in", pint prefers "inch".
_USUAL: dict[str, tuple[str, float]] = {
    "inch": ("m", 0.0254), "in": ("m", 0.0254), "inches": ("m", 0.0254), "ft": ("m", 0.3048), "m": ("m", 1.0), "cm": ("m", 0.01), "mm": ("m", 0.001),
    "mph": ("m/s", 0.44704), "ft/s": ("m/s", 0.3048), "m/s": ("m/s", 1.0), "km/h": ("m/s", 1 / 3.6),
    "ft/s^2": ("m/s^2", 0.3048), "m/s^2": ("m/s^2", 1.0),
    "rpm": ("turn/min", 1.0), "revolution/second": ("turn/min", 60.0), "revolution/s": ("turn/min", 60.0),
    "deg": ("deg", 1.0), "degree": ("deg", 1.0),
    "s": ("s", 1.0), "ms": ("s", 0.001),
    "1": ("1", 1.0), "percent": ("1", 0.01),
}  # fmt: skip


class UnknownUnitError(ValueError):
    """An unknown unit, or one of another quantity; the message says which."""


@lru_cache(maxsize=512)
def unit_factor(unit: str, ours: str) -> float:
    """Return the factor from `unit` to `ours` ("km/h", "mph" -> 0.621...). Raises UnknownUnitError.

    Turns and angles are quantities of their own, so "Hz" is not a spin rate (write "revolution/s") and "1" is not an angle: taking a
    cycle for a radian is an error of 6.28 that no range check would catch.
    """
    if unit in _USUAL and ours in _USUAL and _USUAL[unit][0] == _USUAL[ours][0]:
        return _USUAL[unit][1] / _USUAL[ours][1]
    factor, base = _root(unit)
    our_factor, our_base = _root(ours)
    if base != our_base:
        hint = "; write revolution/s or rpm" if ours == "rpm" else ""
        raise UnknownUnitError(f"is not a unit that converts to {ours}{hint}")
    return factor / our_factor


def _root(unit: str) -> tuple[float, Any]:
    """Return a unit's factor to the base units, and the base units with their powers."""
    from pint.errors import PintError

    # a bare number or an empty text would pass for dimensionless
    if unit != "1" and not any(c.isalpha() or c in "%°" for c in unit):
        raise UnknownUnitError("is not a unit")
    try:
        factor, base = _registry().get_root_units(unit)
    except (PintError, AssertionError, ValueError, TypeError, AttributeError, SyntaxError) as error:
        # pint's parser fails in many ways on free text
        raise UnknownUnitError("is not a known unit; examples: mph, km/h, m/s, cm, deg, rpm, percent") from error
    return float(str(factor)), dict(base._units)


@lru_cache(maxsize=1)
def _registry() -> "UnitRegistry[float]":
    from pint import UnitRegistry

    try:
        # parsed once, then kept in the user's cache folder: 0.03 s instead of 0.4 s
        return UnitRegistry(cache_folder=":auto:", autoconvert_offset_to_baseunit=False)
    except OSError:
        return UnitRegistry()
