"""Explain in sentences why two records are one pitch, or why they are not."""

from collections.abc import Mapping

import polars as pl

from pipeline.words import duration_words, enumerate_words
from schemas.metrics import METRICS

# Log-likelihood ratios, in nats, from which evidence is called weak, clear and strong: odds of about 3, 20 and 1,000 to 1.
_WEAK = 1.0
_CLEAR = 3.0
_STRONG = 7.0
# Labels with less evidence than this, in nats, are not mentioned.
_NEGLIGIBLE = 0.5


def explain_pairs(pairs: pl.DataFrame, names: Mapping[str, str] | None = None) -> list[str]:
    """Return one text per row of match_pairs that touches a pitch, merged pairs first.

    `names` maps tracker ids to names for people; without it the ids are used. No rows give one sentence: no other tracker has it.
    """
    if pairs.is_empty():
        return ["No other tracker has a record that could be this pitch."]
    ordered = pairs.sort("merged", "probability", "sighting_a", "sighting_b", descending=[True, True, False, False])
    return [explain_pair(row, names or {}) for row in ordered.iter_rows(named=True)]


def explain_pair(row: Mapping[str, object], names: Mapping[str, str]) -> str:
    """Return the sentences for one row of match_pairs."""
    a, b = (names.get(str(row[key]), str(row[key])) for key in ("tracker_a", "tracker_b"))
    records = f"{a} ({row['sighting_a']}) and {b} ({row['sighting_b']})"
    if row["decided_by"] == "person":
        verdict = "are one pitch" if row["merged"] else "are not one pitch"
        return f"{records} {verdict}: a person decided this in decisions.csv."
    percent = _percent(float(str(row["probability"])))
    if row["merged"]:
        verdict = f"{records} are one pitch, probability {percent}."
    else:
        verdict = f"{records} are kept apart: the probability that they are one pitch is {percent}."
    rival = (
        []
        if row["merged"] or not row["competing_sighting_id"]
        else [f"{row['competing_sighting_id']} has a more likely partner."]
    )
    return " ".join([verdict, *_time(row), *_readings(row), *_labels(row), *_order(row), *rival])


def explain_double(row: Mapping[str, object]) -> str:
    """Return the sentences for one row of double_triggers."""
    gap = "" if row["time_gap_s"] is None else f", {duration_words(abs(float(str(row['time_gap_s']))))} apart"
    records = f"{row['kept_sighting_id']} and {row['sighting_id']}{gap} (probability {_percent(float(str(row['probability'])))})"
    if row["set_aside"]:
        return f"{row['tracker']} recorded one pitch twice: {records}. {row['sighting_id']} is set aside."
    return f"{row['tracker']} may have recorded one pitch twice: {records}. {row['sighting_id']} counts as a pitch until you decide."


def _percent(probability: float) -> str:
    """Return a percentage that is never exactly 0 or 100, because no match is certain."""
    if probability > 0.9995:
        return "over 99.9 %"
    return "under 0.1 %" if probability < 0.0005 else f"{100 * probability:.1f} %"


def _time(row: Mapping[str, object]) -> list[str]:
    if row["time_gap_s"] is None:
        return ["They share no clock, so time gives no evidence."]
    gap_s = abs(float(str(row["time_gap_s"])))
    finding = "their times agree" if gap_s < 0.05 else f"they are {duration_words(gap_s)} apart"
    return [f"After clock correction, {finding}: {_strength(row['time_evidence'])}."]


def _readings(row: Mapping[str, object]) -> list[str]:
    if row["reading_evidence"] is None or not row["strongest_readings"]:
        return []
    metrics = [part.rsplit(" ", 1) for part in str(row["strongest_readings"]).split("; ")]
    agreeing = [METRICS[metric].words for metric, evidence in metrics if float(evidence) > 0]
    differing = [METRICS[metric].words for metric, evidence in metrics if float(evidence) < 0]
    finding = ", but ".join(
        f"{enumerate_words(words)} {verb if len(words) > 1 else singular}"
        for words, verb, singular in ((agreeing, "agree", "agrees"), (differing, "differ", "differs"))
        if words
    )
    sentence = f"{finding}, allowing for these trackers' usual difference: {_strength(row['reading_evidence'])}."
    return [sentence[0].upper() + sentence[1:]]


def _labels(row: Mapping[str, object]) -> list[str]:
    if row["label_evidence"] is None or abs(evidence := float(str(row["label_evidence"]))) < _NEGLIGIBLE:
        return []
    return [f"Labels (pitcher, pitch type, count) {'agree' if evidence > 0 else 'differ'}: {_strength(evidence)}."]


def _order(row: Mapping[str, object]) -> list[str]:
    if row["order_evidence"] is None or abs(evidence := float(str(row["order_evidence"]))) < _WEAK:
        return []
    fit = "fit this match" if evidence > 0 else "fit better without this match"
    return [f"The pitches before and after {fit}: {_strength(evidence)}."]


def _strength(evidence: object) -> str:
    """Return words for a log-likelihood ratio in nats, such as "weak evidence for a match"."""
    nats = float(str(evidence))
    if abs(nats) < _WEAK:
        return "no clear evidence"
    size = "strong" if abs(nats) >= _STRONG else "clear" if abs(nats) >= _CLEAR else "weak"
    return f"{size} evidence {'for' if nats > 0 else 'against'} a match"
