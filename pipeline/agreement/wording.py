"""Sentences about drift and crooked setups, and numbers with sensible digits."""

import math
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from pipeline.words import day_range_words, day_words, enumerate_words, pluralize
from schemas.drift import OWN_HISTORY
from schemas.metrics import METRICS

# Differences of these metrics are not above or below but to one side.
SIDEWAYS = ("horizontal_break_in", "release_side_ft", "plate_side_ft", "horizontal_approach_deg", "spray_angle_deg")
# A mean difference of this many tolerances is not imprecision but a wrong unit, sign or plane (common practice, no source) ...
UNLIKE = 10
# ... and for an axis one of this many degrees: axes measured and inferred differ by 17 in the median and 44 at the 90 % quantile (4,067
# public pitches).
UNLIKE_AXIS_DEG = 60.0

# How a metric is read, by the explanation in table `convention_mismatches`, and the keys of a profile that state it: of numbers, of an axis.
_MISMATCH_WORDS = {
    "sides_swapped": "with left and right swapped",
    "upside_down": "upside down",
    "half_turn": "half a turn off",
    "quarter_turn": "a quarter turn off",
    "quarter_turn_mirrored": "mirrored and a quarter turn off",
    "gravity": "with gravity's drop counted differently",
    "gravity_upside_down": "upside down and with gravity's drop counted differently",
    "unit": "in another unit",
    "unit_reversed": "in another unit and with the sign reversed",
}
_MISMATCH_KEYS = {
    "sides_swapped": ("`positive`", "`view`"),
    "upside_down": ("`positive`", "`turns` and `backspin_at`"),
    "half_turn": ("", "`backspin_at`"),
    "quarter_turn": ("", "`backspin_at`"),
    "quarter_turn_mirrored": ("", "`view`, `turns` and `backspin_at`"),
    "gravity": ("`gravity`", ""),
    "gravity_upside_down": ("`gravity` and `positive`", ""),
    "unit": ("`unit`", ""),
    "unit_reversed": ("`unit` and `positive`", ""),
}
_UNCORRECTED = "those nights are still uncorrected"


def metric_words(metric: str) -> str:
    """Return a metric's words without its unit: "release speed"."""
    return METRICS[metric].words


def unit_words(metric: str) -> str:
    """Return the unit for a column or an axis; empty for a ratio."""
    unit = METRICS[metric].unit
    return "" if unit == "ratio" else {"deg": "degrees"}.get(unit, unit)


def amount_words(metric: str, amount: float, *, signed: bool = False) -> str:
    """Return an amount with its unit: "0.7 mph", "3°".

    Rounded to a tenth of the metric's tolerance.
    """
    return _with_unit(number_words(metric, amount if signed else abs(amount), signed=signed), METRICS[metric].unit)


def number_words(metric: str, amount: float, *, signed: bool = False) -> str:
    """Return an amount without its unit, rounded to a tenth of the metric's tolerance.

    Zero has no sign.
    """
    return _round_to(amount, METRICS[metric].tolerance / 10, signed=signed)


def fine_number_words(metric: str, amount: float) -> str:
    """Return an amount rounded to a hundredth of the metric's tolerance.

    For spreads, which are smaller.
    """
    return _round_to(amount, METRICS[metric].tolerance / 100, signed=False)


def direction_words(metric: str, amount: float) -> str:
    """Return where one reading lies from another: "above", "below", or to which side."""
    if metric in SIDEWAYS:
        return "to the catcher's right of" if amount > 0 else "to the catcher's left of"
    return "above" if amount > 0 else "below"


def change_words(metric: str, size: float) -> str:
    """Return a change with its direction: "1.5 mph higher".

    A change to the side is "0.60 ft farther to the catcher's left".
    """
    if metric in SIDEWAYS:
        return f"{amount_words(metric, size)} farther to the catcher's {'right' if size > 0 else 'left'}"
    return f"{amount_words(metric, size)} {'higher' if size > 0 else 'lower'}"


def unlike_from(metric: str, tolerance: float) -> float:
    """Return the mean difference from which two trackers cannot mean the same thing."""
    return min(UNLIKE * tolerance, UNLIKE_AXIS_DEG) if METRICS[metric].circular else UNLIKE * tolerance


def mismatch_sentence(rows: Sequence[Mapping[str, Any]], names: Mapping[str, str]) -> str:
    """Describe rows of table `convention_mismatches` of one pair with one explanation.

    "Bullpen unit 2 reads horizontal break and release side with left and right swapped, compared with Radar (Oct 14, 31 pitches).
    Horizontal break differs by 18.2 in, and by 1.4 in once that is undone."
    """
    row = max(rows, key=lambda row: row["n"])
    wrong = row["suspect"] or row["tracker_b"]
    other = row["tracker_a"] if wrong == row["tracker_b"] else row["tracker_b"]
    metrics = enumerate_words([metric_words(row["metric"]) for row in rows])
    days = day_range_words(row["from_day"], row["until_day"])
    reads = f"{names.get(wrong, wrong)} reads {metrics} {mismatch_words(row)}, compared with {names.get(other, other)}"
    size, left = (amount_words(row["metric"], row[name]) for name in ("difference", "remaining"))
    subject = metric_words(row["metric"])
    differs = f"{subject[0].upper()}{subject[1:]} differs by {size}, and by {left} once that is undone."
    doubt = "" if row["suspect"] else " Either of the two may be wrong."
    return f"{reads} ({days}, {pluralize(row['n'], 'pitch')}). {differs}{doubt}"


def mismatch_words(row: Mapping[str, Any]) -> str:
    """Return how a row of table `convention_mismatches` is read: "with left and right swapped"."""
    how = _MISMATCH_WORDS[row["explanation"]]
    return f"{how} (the ratio of {row['written_unit']} to {row['stated_unit']})" if row["stated_unit"] else how


def mismatch_advice(rows: Sequence[Mapping[str, Any]], names: Mapping[str, str]) -> str:
    """Return what to do about the rows of `mismatch_sentence`."""
    row = rows[0]
    of_numbers, of_axis = _MISMATCH_KEYS[row["explanation"]]
    axes = [METRICS[row["metric"]].circular for row in rows]
    keys = " and ".join(filter(None, ["" if all(axes) else of_numbers, of_axis if any(axes) else ""]))
    wrong = [row["suspect"]] if row["suspect"] else [row["tracker_a"], row["tracker_b"]]
    profiles = enumerate_words([names.get(tracker, tracker) for tracker in wrong])
    return (
        f"Check {keys} of {'these metrics' if len(rows) > 1 else 'this metric'} in the "
        f"{'profile' if row['suspect'] else 'profiles'} of {profiles}. If the profile is right, check the device's own setting."
    )


def few_nights_note(nights: int) -> str:
    """Return the note for a result from few nights."""
    return "only one night, so other nights may differ" if nights == 1 else f"only {nights} nights"


def alarm_sentence(row: Mapping[str, Any], names: Mapping[str, str]) -> str:
    """Describe a live alarm of table `drift`.

    `names` gives the trackers' names where they have one. "Bullpen unit 2 has read release speed 0.7 mph above Radar since Oct 14 (9
    nights, 212 pitches; before: 0.1 mph below)."
    """
    counts = f"{pluralize(row['nights_since'], 'night')}, {pluralize(row['pitches_since'], 'pitch')}"
    since = f"since {day_words(row['change_day'], row['baseball_day'])}"
    metric = row["metric"]
    if row["tracker_a"] == OWN_HISTORY:
        tracker = names.get(row["tracker_b"], row["tracker_b"])
        change = f"{metric_words(metric)} {change_words(metric, row['size'])} than its pitchers' earlier nights"
        doubt = "" if row["mover"] else " The device or the pitchers changed (cold, rest, build-up)."
        return f"{tracker} has read {change} {since} ({counts}).{doubt}"
    subject, other, sign = _mover_first(row)
    level, usual = sign * row["level"], sign * row["usual_bias"]
    difference = f"{amount_words(metric, level)} {direction_words(metric, level)} {names.get(other, other)}"
    before = f"before: {amount_words(metric, usual)} {direction_words(metric, usual).removesuffix(' of')}"
    doubt = "" if row["mover"] else " It is unknown which of the two moved."
    reads = f"{names.get(subject, subject)} has read {metric_words(metric)} {difference} {since}"
    return f"{reads} ({counts}; {before}).{doubt}"


def past_drift_sentence(row: Mapping[str, Any], names: Mapping[str, str]) -> str:
    """Describe a drift that went back, with its readings uncorrected.

    `row` is its last night in table `drift`.
    """
    subject, other, sign = _mover_first(row)
    metric, level = row["metric"], sign * row["level"]
    difference = f"{amount_words(metric, level)} {direction_words(metric, level)} {names.get(other, other)}"
    days = day_range_words(row["change_day"], row["baseball_day"])
    return (
        f"{names.get(subject, subject)} read {metric_words(metric)} {difference}, {days}. "
        f"It reads as usual again; {_UNCORRECTED}."
    )


def setup_sentence(row: Mapping[str, Any], names: Mapping[str, str]) -> str:
    """Describe a row of table `setup`, with what to do at the device.

    `names` gives the trackers' names where they have one. "Bullpen unit 2 is aimed 0.6° (0.5-0.7°) toward third base, 7.6 in at the rubber
    (against Radar, Oct 14, 60 pitches). Turn it toward first base."
    """
    return f"{setup_finding(row, names)} {setup_advice(row)}".strip()


def setup_finding(row: Mapping[str, Any], names: Mapping[str, str], *, past: bool = False) -> str:
    """Describe a row of table `setup` without what to do; `past`: it is over."""
    tracker, other = (names.get(row[key], row[key]) for key in ("tracker_b", "tracker_a"))
    day, pitches = row["baseball_day"], pluralize(row["n"], "pitch")
    if row["tracker_a"] == OWN_HISTORY:
        source = f"against its pitchers' earlier nights, {pluralize(row['nights'], 'night')} to {day_words(day)}"
    else:
        source = f"against {other}, {day_words(day) if day else 'all nights'}"
    return f"{tracker} {setup_words(row, past=past)} ({source}, {pitches})."


def past_setup_sentence(
    row: Mapping[str, Any], value: float, from_day: date | None, until_day: date | None, names: Mapping[str, str]
) -> str:
    """Describe nights on which a tracker was crooked, with its readings uncorrected.

    `row` is the last of these nights in table `setup`, `value` the value over all of them; no days: all nights.
    "Bullpen unit 2 was aimed 0.6° (0.5-0.7°) toward third base, 7.6 in at the rubber, Oct 14-16. It is straight again; those nights ..."
    """
    tracker = names.get(row["tracker_b"], row["tracker_b"])
    ends = {name: row[name] + value - row["value"] for name in ("low", "high")}
    words = setup_words({**row, **ends, "value": value, "at_rubber_in": _inches_at_rubber(row, value)}, past=True)
    days = f", {day_range_words(from_day, until_day)}" if from_day and until_day else ""
    return f"{tracker} {words}{days}. It is straight again; {_UNCORRECTED}."


def setup_words(row: Mapping[str, Any], *, past: bool = False) -> str:
    """Return what a row of table `setup` says about tracker_b.

    "is aimed 0.6° (0.5-0.7°) toward third base, 7.6 in at the rubber"
    """
    value, quantity = row["value"], row["quantity"]
    be, lean, read = ("was", "leaned", "read") if past else ("is", "leans", "reads")
    at_rubber = "" if row["at_rubber_in"] is None else f", {abs(row['at_rubber_in']):.1f} in at the rubber"
    third = "third" if value > 0 else "first"
    match quantity:
        case "aim_deg":
            return f"{be} aimed {_size_words(row, '°')} toward {third} base{at_rubber}"
        case "tilt_deg":
            return f"{be} tilted {_size_words(row, '°')} {'down' if value > 0 else 'up'} toward the mound{at_rubber}"
        case "roll_deg":
            return f"{lean} {_size_words(row, '°')} toward {third} base"
        case "side_in":
            side = "first" if value > 0 else "third"
            return f"{read} plate locations {_size_words(row, ' in')} too far toward {side} base"
        case "height_in":
            return f"{read} plate locations {_size_words(row, ' in')} too {'high' if value > 0 else 'low'}"
        case "distance_in":
            return f"{read} distances from the plate {_size_words(row, ' in')} too {'long' if value > 0 else 'short'}"
        case _:
            percent = {**row} | {name: 100 * row[name] for name in ("value", "low", "high")}
            return f"{read} lengths {_size_words(percent, '%')} too {'long' if value > 0 else 'short'}"


def setup_advice(row: Mapping[str, Any]) -> str:
    """Return what to do at the device for a row of table `setup`.

    Empty where it may as well be straight.
    """
    value = row["value"]
    if row["low"] * row["high"] <= 0:
        return ""
    match row["quantity"]:
        case "aim_deg":
            return f"Turn it toward {'first' if value > 0 else 'third'} base."
        case "tilt_deg":
            return f"Tilt it {'up' if value > 0 else 'down'} toward the mound."
        case "roll_deg":
            return f"Level it: lean it toward {'first' if value > 0 else 'third'} base."
        case "distance_in":
            front, behind = ("away from", "toward") if value > 0 else ("toward", "away from")
            return f"Move it that far {front} the plate if it is in front of it, {behind} the plate if behind."
        case _:
            return ""


def _mover_first(row: Mapping[str, Any]) -> tuple[str, str, float]:
    """Return the tracker that moved, the other one, and the sign of b - a.

    The sign turns b - a into mover - other.
    """
    if row["mover"] == row["tracker_a"]:
        return row["tracker_a"], row["tracker_b"], -1.0
    return row["tracker_b"], row["tracker_a"], 1.0


def _inches_at_rubber(row: Mapping[str, Any], value: float) -> float | None:
    """Scale a turn's inches at the rubber to another value: turns are small."""
    return None if row["at_rubber_in"] is None or not row["value"] else row["at_rubber_in"] * value / row["value"]


def _size_words(row: Mapping[str, Any], unit: str) -> str:
    """Return a size with its interval: "0.6° (0.5-0.7°)".

    Signs are turned so that the size is positive.
    """
    value, low, high = row["value"], row["low"], row["high"]
    ends = (low, high) if value >= 0 else (-high, -low)
    decimals = min(max(1, math.ceil(-math.log10(max(high - low, 1e-6)))), 4)
    shown = [f"{end:.{decimals}f}".replace("-", "−") if round(end, decimals) else f"{0:.{decimals}f}" for end in ends]
    interval = " to ".join(shown) if "−" in "".join(shown) else "-".join(shown)
    return f"{abs(value):.{decimals}f}{unit} ({interval}{unit})"


def _with_unit(number: str, unit: str) -> str:
    if unit == "ratio":
        return number
    return f"{number}°" if unit == "deg" else f"{number} {unit}"


def _round_to(amount: float, to: float, *, signed: bool) -> str:
    decimals = max(0, math.ceil(-math.log10(to)))
    rounded = round(amount, decimals)
    digits = f"{abs(rounded):,.{decimals}f}"
    sign = "−" if rounded < 0 else "+" if signed and rounded > 0 else ""
    return sign + digits
