"""What a comparison of two trackers means: a verdict in one word, with its reason."""

from collections.abc import Mapping
from typing import Any, NamedTuple

from pipeline.agreement.bias.equivalence import DIFFERENT, MOST_NIGHTS_AHEAD, UNDECIDED
from pipeline.agreement.wording import amount_words, change_words, mismatch_words, unlike_from
from pipeline.words import day_range_words, day_words, pluralize

# A pair agrees while at most this share of its pitches differs by more than the tolerance (common practice, no source).
WATCH_BEYOND = 0.10


class Verdict(NamedTuple):
    """A word, a shape (readable without color), and the place in the order of urgency."""

    word: str
    shape: str
    urgency: int


ACT = Verdict("act", "■", 0)
WATCH = Verdict("watch", "▲", 1)
OTHER = Verdict("not comparable", "◇", 2)
FEW = Verdict("not enough data", "○", 3)
FINE = Verdict("agrees", "●", 4)
VERDICTS = (ACT, WATCH, FINE, FEW, OTHER)


def pair_verdict(
    row: Mapping[str, Any], alarm: Mapping[str, Any] | None, mismatch: Mapping[str, Any] | None
) -> tuple[Verdict, str]:
    """Judge a row of table `agreement`.

    `alarm` is the live alarm's row of table `drift`, `mismatch` the last row of table `convention_mismatches`, if there is one.
    """
    if mismatch is not None:
        days = (
            ""
            if mismatch["nights"] == row["nights"]
            else f", {day_range_words(mismatch['from_day'], mismatch['until_day'])}"
        )
        return ACT, f"read {mismatch_words(mismatch)} by one of the two{days}"
    metric, tolerance, beyond = row["metric"], row["tolerance"], row["share_beyond"]
    if alarm is not None and alarm["matters"]:
        return (
            ACT,
            f"difference moved {amount_words(metric, alarm['size'], signed=True)} on {day_words(alarm['change_day'])}",
        )
    if not row["same_quantity"]:
        return OTHER, "two different quantities by definition"
    if abs(row["bias"] or 0.0) > unlike_from(metric, tolerance):
        far = amount_words(metric, row["bias"], signed=True)
        return ACT, f"{far} on average: check unit, sign and plane of this column in both profiles"
    limit = amount_words(metric, tolerance)
    if row["equivalence"] == DIFFERENT:
        return ACT, f"bias is beyond the tolerance of {limit}"
    if row["small_n"]:
        return FEW, f"{row['note']}; {_more_nights_words(row)}"
    if beyond > WATCH_BEYOND:
        return WATCH, f"{beyond:.0%} of pitches differ by more than {limit}"
    if alarm is not None:
        return WATCH, f"difference moved on {day_words(alarm['change_day'])}, but by little"
    if row["equivalence"] == UNDECIDED:
        return FEW, f"the bias may be within or beyond the tolerance of {limit}; {_more_nights_words(row)}"
    return FINE, f"bias is within the tolerance, and so are {1 - beyond:.0%} of pitches ({limit})"


def _more_nights_words(row: Mapping[str, Any]) -> str:
    """Return how many more nights would decide."""
    more = row["more_nights"]
    if more is None:
        return f"{MOST_NIGHTS_AHEAD} more nights would not decide"
    return f"about {pluralize(round(more), 'more night')} would decide"


def own_history_verdict(last_alarm: Mapping[str, Any] | None) -> tuple[Verdict, str]:
    """Judge a chart against own history by its last night under alarm.

    `last_alarm` is a row of table `drift`; None: never an alarm.
    """
    if last_alarm is None:
        return FINE, "as usual"
    change = change_words(last_alarm["metric"], last_alarm["size"])
    if last_alarm["latest"]:
        return (ACT if last_alarm["matters"] else WATCH), f"{change} since {day_words(last_alarm['change_day'])}"
    days = day_range_words(last_alarm["change_day"], last_alarm["baseball_day"])
    return WATCH, f"{change}, {days}; as usual again"
