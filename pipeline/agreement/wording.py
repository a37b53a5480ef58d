"""What the tables say, in sentences that a person can act on."""

import math
from datetime import date
from typing import Any

from schemas.drift import OWN_HISTORY
from schemas.metrics import METRICS

# Readings that go sideways are not "above" or "below" but to one side.
SIDEWAYS = ("horizontal_break_in", "release_side_ft", "plate_side_ft", "horizontal_approach_deg")


# readings of one pitch that differ by so many tolerances are no matter of precision: a unit, a sign, a plane (common practice, no source)
UNLIKE = 10


def metric_words(metric: str) -> str:
    """Return the words for a metric: "release speed" for `release_speed_mph`."""
    return METRICS[metric].words


def unit_words(metric: str) -> str:
    """The unit as it stands behind a number; nothing for a ratio."""
    unit = METRICS[metric].unit
    return "" if unit == "ratio" else {"deg": "degrees"}.get(unit, unit)


def amount_words(metric: str, amount: float) -> str:
    """An amount of a metric without its sign, rounded to a tenth of the tolerance: "0.7 mph"."""
    return f"{number_words(metric, abs(amount))} {unit_words(metric)}".strip()


def number_words(metric: str, amount: float, *, signed: bool = False) -> str:
    """An amount of a metric rounded to a tenth of its tolerance, without a unit; what rounds to zero has no sign."""
    return _rounded(amount, METRICS[metric].tolerance / 10, signed=signed)


def fine_number_words(metric: str, amount: float) -> str:
    """The same to a hundredth of the tolerance: for spreads, which are smaller."""
    return _rounded(amount, METRICS[metric].tolerance / 100, signed=False)


def _rounded(amount: float, to: float, *, signed: bool) -> str:
    decimals = max(0, math.ceil(-math.log10(to)))
    rounded = round(amount, decimals)
    digits = f"{abs(rounded):,.{decimals}f}"
    sign = "−" if rounded < 0 else "+" if signed and rounded > 0 else ""
    return sign + digits


def direction_words(metric: str, amount: float) -> str:
    """Where a reading lies from another: "above", "below", or to which side."""
    if metric in SIDEWAYS:
        return "to the catcher's right of" if amount > 0 else "to the catcher's left of"
    return "above" if amount > 0 else "below"


def day_words(day: date, beside: date | None = None) -> str:
    """A day as "14 October"; with the year where it differs from that of `beside`."""
    words = f"{day.day} {day:%B}"
    return words if beside is None or beside.year == day.year else f"{words} {day.year}"


def alarm_sentence(row: dict[str, Any], names: dict[str, str]) -> str:
    """A live alarm of the table `drift` in one sentence; `names` gives each tracker's name, where it has one.

    "bullpen unit 2 reads release speed 0.7 mph above the radar since 14 October, 9 nights, 212 pitches"
    """
    subject, other = (row["tracker_b"], row["tracker_a"])
    if other == OWN_HISTORY:
        return _against_own_history(row, names)
    sign = 1.0
    if row["mover"] == row["tracker_a"]:
        subject, other, sign = other, subject, -1.0
    metric, level, usual = row["metric"], sign * row["level"], sign * row["usual_bias"]
    since = _since(row)
    who = "" if row["mover"] else "; which of the two moved can't be told"
    reads = f"{names.get(subject, subject)} reads {metric_words(metric)} {amount_words(metric, level)} {direction_words(metric, level)} {names.get(other, other)}"
    return f"{reads} {since} (before: {amount_words(metric, usual)} {direction_words(metric, usual)}){who}".replace(
        " above)", " above)"
    ).replace(" of)", ")")


def was_drifted_sentence(row: dict[str, Any], names: dict[str, str]) -> str:
    """A drift that went back and whose readings were left so; `row` is its last night in table `drift`."""
    subject, other, sign = row["tracker_b"], row["tracker_a"], 1.0
    if row["mover"] == row["tracker_a"]:
        subject, other, sign = other, subject, -1.0
    metric, level = row["metric"], sign * row["level"]
    reads = f"{names.get(subject, subject)} read {metric_words(metric)} {amount_words(metric, level)} {direction_words(metric, level)} {names.get(other, other)}"
    return f"{reads}, {_days(row['change_day'], row['baseball_day'])}: {_LEFT}"


_LEFT = "not so since, but its readings of that time are not corrected"


def _against_own_history(row: dict[str, Any], names: dict[str, str]) -> str:
    """ "bullpen unit 2 reads release side 0.60 ft to the catcher's left of what its pitchers showed before, since 14 October, ..." """
    metric, size = row["metric"], row["size"]
    way = f"{amount_words(metric, size)} {direction_words(metric, size)}"
    doubt = "" if row["mover"] else "; the pitchers may have changed together (cold, rest, build-up), or the device"
    tracker = names.get(row["tracker_b"], row["tracker_b"])
    return f"{tracker} reads {metric_words(metric)} {way} what its pitchers showed before, {_since(row)}{doubt}"


def _since(row: dict[str, Any]) -> str:
    nights = row["nights_since"]
    since = f"since {day_words(row['change_day'], row['baseball_day'])}"
    return f"{since}, {nights} night{'s' * (nights != 1)}, {row['pitches_since']:,} pitches"


def setup_sentence(row: dict[str, Any], names: dict[str, str]) -> str:
    """A row of the table `setup` in words that a person can act on at the mound; `names` gives each tracker's name, where it has one.

    "bullpen unit 2 pointed 0.6 degrees (0.5 to 0.7) toward third base, 7.6 in at the rubber, against the radar on 14 October, 60 pitches"
    """
    tracker, other = (names.get(row[key], row[key]) for key in ("tracker_b", "tracker_a"))
    when = (
        "over all nights"
        if row["baseball_day"] is None
        else f"on {day_words(row['baseball_day'])} {row['baseball_day'].year}"
    )
    against = f"against {other}"
    if row["tracker_a"] == OWN_HISTORY:
        against = f"by what its pitchers showed before, {row['nights']} night{'s' * (row['nights'] != 1)} up to"
        when = when.removeprefix("on ")
    return f"{tracker} {setup_words(row)}, {against} {when}, {row['n']:,} pitches"


def was_crooked_sentence(
    row: dict[str, Any], value: float, from_day: date | None, until_day: date | None, names: dict[str, str]
) -> str:
    """Nights on which a tracker stood crooked and whose readings were left so; `row` is the last of them in table `setup`, `value` that of all.

    "bullpen unit 2 was aimed 0.6 (0.5 to 0.7) degrees toward third base, 7.6 in at the rubber, from 14 to 16 October 2026: not so since, but ..."
    """
    tracker = names.get(row["tracker_b"], row["tracker_b"])
    moved = {name: row[name] + value - row["value"] for name in ("low", "high")}
    words = setup_words(row | moved | {"value": value, "at_rubber_in": _at_rubber(row, value)}, was=True)
    return f"{tracker} {words}, {_days(from_day, until_day)}: {_LEFT}"


def _at_rubber(row: dict[str, Any], value: float) -> float | None:
    """A turn of another size makes as much more or less at the rubber: turns are small."""
    return None if row["at_rubber_in"] is None or not row["value"] else row["at_rubber_in"] * value / row["value"]


def _days(first: date | None, last: date | None) -> str:
    if first is None or last is None or first == last:
        return f"on {day_words(last)} {last.year}" if last else "on all nights"
    same_month = (first.year, first.month) == (last.year, last.month)
    return f"from {first.day if same_month else day_words(first, last)} to {day_words(last)} {last.year}"


def setup_words(row: dict[str, Any], *, was: bool = False) -> str:
    """What a row of the table `setup` says of tracker_b, without saying against whom and when: "is aimed 0.6 (0.5 to 0.7) degrees ...".

    `was`: of a time that is over, without what is to be done about it.
    """
    value, quantity = row["value"], row["quantity"]
    interval = _between(value, row["low"], row["high"])
    at_rubber = f", {abs(row['at_rubber_in']):.1f} in at the rubber" if row["at_rubber_in"] is not None else ""
    stands, leans = ("was", "leaned") if was else ("is", "leans")
    match quantity:
        case "aim_deg":
            there, back = ("third", "first") if value > 0 else ("first", "third")
            # what may as well be straight, or is so again, needs no turning
            advice = f" (turn it toward {back} base)" if row["low"] * row["high"] > 0 and not was else ""
            return f"{stands} aimed {interval} degrees toward {there} base{at_rubber}{advice}"
        case "tilt_deg":
            return f"{stands} tilted {interval} degrees {'down' if value > 0 else 'up'} toward the mound{at_rubber}"
        case "roll_deg":
            return f"{leans} {interval} degrees toward {'third' if value > 0 else 'first'} base"
        case _:
            # "read" is its own past tense
            return f"{'read' if was else 'reads'} {_lengths_words(row, interval)}"


def _lengths_words(row: dict[str, Any], interval: str) -> str:
    value = row["value"]
    match row["quantity"]:
        case "side_in":
            return f"{interval} in too far toward {'first' if value > 0 else 'third'} base at the plate"
        case "height_in":
            return f"{interval} in too {'high' if value > 0 else 'low'} at the plate"
        case "distance_in":
            ends = ("near the plate", "far back") if value > 0 else ("far from the plate", "near the plate")
            stands = f"a unit in front of the plate stands that much too {ends[0]}, one behind it too {ends[1]}"
            return f"distances from the plate {interval} in too {'long' if value > 0 else 'short'} ({stands})"
        case _:
            return f"lengths {_between(value * 100, row['low'] * 100, row['high'] * 100)} % too {'long' if value > 0 else 'short'}"


def _between(value: float, low: float, high: float) -> str:
    """A size with its interval: "0.6 (0.5 to 0.7)"; signs turned so that the size is positive."""
    ends = (low, high) if value >= 0 else (-high, -low)
    decimals = min(max(1, math.ceil(-math.log10(max(high - low, 1e-6)))), 4)
    shown = [f"{end:.{decimals}f}".replace("-", "−") if round(end, decimals) else f"{0:.{decimals}f}" for end in ends]
    return f"{abs(value):.{decimals}f} ({shown[0]} to {shown[1]})"
