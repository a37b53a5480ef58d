"""Why sightings are one pitch, or why not, in plain words: sentences made from rows of match_pairs."""

from collections.abc import Iterable, Mapping

import polars as pl

from pipeline.matching.clocks.report import duration
from schemas.metrics import METRICS

# a log-likelihood ratio as people would say it: odds of about 3, 20, 1000 to 1
_LITTLE, _CLEAR, _STRONG = 1.0, 3.0, 7.0


def explain_pairs(pairs: pl.DataFrame, names: Mapping[str, str] | None = None) -> list[str]:
    """One sentence or two for each row of match_pairs that touches a pitch: merged pairs first, likeliest first.

    `names` gives trackers' names for people; without it their ids are used. No rows: the pitch stands alone, and one sentence says so.
    """
    if pairs.is_empty():
        return ["No other tracker has a record that could be this pitch."]
    ordered = pairs.sort("merged", "probability", "sighting_a", "sighting_b", descending=[True, True, False, False])
    return [explain_pair(row, names or {}) for row in ordered.iter_rows(named=True)]


def explain_pair(row: Mapping[str, object], names: Mapping[str, str]) -> str:
    """The sentences for one row of match_pairs."""
    a, b = (names.get(str(row[key]), str(row[key])) for key in ("tracker_a", "tracker_b"))
    which = f"{a} ({row['sighting_a']}) and {b} ({row['sighting_b']})"
    if row["decided_by"] == "person":
        verdict = "are one pitch" if row["merged"] else "are not one pitch"
        return f"{which} {verdict}: a person decided so (decisions.csv)."
    probability = float(str(row["probability"]))
    reasons = [*_time_words(row), *_reading_words(row), *_label_words(row), *_order_words(row)]
    because = f" {_sentence(reasons)}" if reasons else ""
    if row["merged"]:
        return f"{which} are one pitch, probability {_percent(probability)}.{because}"
    rival = f" {row['rival_of']} stands in a likelier pair." if row["rival_of"] else ""
    return f"{which} are kept apart: the probability that they are one pitch is only {_percent(probability)}.{because}{rival}"


def explain_double(row: Mapping[str, object]) -> str:
    """The sentence for one row of double_triggers."""
    gap = "" if row["time_gap_s"] is None else f", {duration(abs(float(str(row['time_gap_s']))))} apart"
    records = f"{row['of_sighting_id']} and {row['sighting_id']}{gap}"
    sure = _percent(float(str(row["probability"])))
    if row["set_aside"]:
        return f"{row['tracker']} recorded one throw twice, {records}, probability {sure}: {row['sighting_id']} is set aside."
    return f"{row['tracker']} may have recorded one throw twice, {records}, probability {sure}: {row['sighting_id']} stands as a pitch of its own."


def _percent(probability: float) -> str:
    """Never a flat 100 or 0 %, because nothing is certain."""
    if probability > 0.9995:
        return "over 99.9 %"
    return "under 0.1 %" if probability < 0.0005 else f"{100 * probability:.1f} %"


def _sentence(reasons: list[str]) -> str:
    return "; ".join([reasons[0][0].upper() + reasons[0][1:], *reasons[1:]]) + "."


def _time_words(row: Mapping[str, object]) -> list[str]:
    if row["time_gap_s"] is None:
        return ["there is no common clock, so time says nothing"]
    gap = abs(float(str(row["time_gap_s"])))
    size = "at the same moment" if gap < 0.05 else f"{duration(gap)} apart"
    return [f"they come {size} once the clocks are set right, which {_strength(row['time_evidence'])}"]


def _reading_words(row: Mapping[str, object]) -> list[str]:
    if row["reading_evidence"] is None or not row["what"]:
        return []
    parts = [part.rsplit(" ", 1) for part in str(row["what"]).split("; ")]
    speaking = [METRICS[metric].words for metric, say in parts if float(say) > 0]
    against = [METRICS[metric].words for metric, say in parts if float(say) < 0]
    loudest = [f"alike: {_listed(speaking)}"] if speaking else []
    loudest += [f"unlike: {_listed(against)}"] if against else []
    return [
        f"the readings, taken with the usual differences of the two trackers, {_verb(row['reading_evidence'])} ({'; '.join(loudest)})"
    ]


def _label_words(row: Mapping[str, object]) -> list[str]:
    evidence = row["label_evidence"]
    if evidence is None or abs(float(str(evidence))) < 0.5:
        return []
    return [
        f"the labels (pitcher, pitch type, count) {'agree' if float(str(evidence)) > 0 else 'disagree'}, which {_strength(evidence)}"
    ]


def _order_words(row: Mapping[str, object]) -> list[str]:
    evidence = row["order_evidence"]
    if evidence is None or abs(float(str(evidence))) < _LITTLE:
        return []
    words = (
        "the pitches before and after fall into place with it"
        if float(str(evidence)) > 0
        else "the pitches before and after fit better without it"
    )
    return [f"{words}, which {_strength(evidence)}"]


def _verb(evidence: object) -> str:
    value = float(str(evidence))
    return f"speak {_size(value)} {'for' if value > 0 else 'against'} it" if abs(value) >= _LITTLE else "say little"


def _strength(evidence: object) -> str:
    value = float(str(evidence))
    return (
        f"speaks {_size(value)} {'for' if value > 0 else 'against'} one pitch"
        if abs(value) >= _LITTLE
        else "says little"
    )


def _size(value: float) -> str:
    return "strongly" if abs(value) >= _STRONG else "clearly" if abs(value) >= _CLEAR else "a little"


def _listed(words: Iterable[str]) -> str:
    words = list(words)
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]
