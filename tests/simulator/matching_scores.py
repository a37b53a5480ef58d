"""Score a matching against the truth of a simulated season.

Definitions: pairwise precision, recall and F1; B-cubed (Bagga and Baldwin, 1998); Brier score with Murphy's decomposition (1973);
reliability by bins of probability. The published worked examples of these are in tests/published/matching.json.
"""

from typing import NamedTuple

import numpy as np
import polars as pl


class Score(NamedTuple):
    """`pairs`: true pairs of two trackers' records of one throw; the rates are against them, `wrong_at_09` per 100,000 of them."""

    pairs: int
    recall_at_09: float
    wrong_at_09: float
    precision_at_05: float
    recall_at_05: float
    f1_at_05: float
    brier: float
    calibration_error: float


def true_pairs(truth: pl.DataFrame, sightings: pl.DataFrame) -> int:
    """Return the number of pairs of two trackers that recorded the same throw."""
    seen = truth.join(sightings.select("sighting_id", "tracker"), on="sighting_id").filter(
        pl.col("throw").is_not_null()
    )
    trackers = seen.group_by("throw").agg(pl.col("tracker").n_unique().alias("n"))["n"]
    return int((trackers * (trackers - 1) // 2).sum())


def judged(pairs: pl.DataFrame, truth: pl.DataFrame) -> pl.DataFrame:
    """Return the pairs with the column `right`: whether both are records of one throw."""
    throw = truth.select("sighting_id", "throw")
    joined = pairs.join(throw, left_on="sighting_a", right_on="sighting_id").join(
        throw, left_on="sighting_b", right_on="sighting_id", suffix="_b"
    )
    return joined.with_columns((pl.col("throw") == pl.col("throw_b")).fill_null(False).alias("right"))


def score(pairs: pl.DataFrame, truth: pl.DataFrame, sightings: pl.DataFrame) -> Score:
    """Return the scores of a method's `merged` pairs; at 0.9 only those above 0.9 count."""
    total, known = true_pairs(truth, sightings), judged(pairs, truth)
    # A throw that both trackers recorded twice and that became two pitches is right once only.
    merged = known.filter("merged").sort("probability", descending=True)
    once = (
        pl.struct("throw", "tracker_a", "tracker_b").is_first_distinct()
        if "tracker_a" in merged.columns
        else pl.lit(True)
    )
    merged = merged.with_columns((pl.col("right") & once).alias("right"))
    sure = merged.filter(pl.col("probability") > 0.9)
    right, sure_right = int(merged["right"].sum()), int(sure["right"].sum())
    precision, recall = right / max(len(merged), 1), right / max(total, 1)
    p, y = known["probability"].to_numpy(), known["right"].to_numpy().astype(float)
    return Score(
        total,
        sure_right / max(total, 1),
        1e5 * (len(sure) - sure_right) / max(total, 1),
        precision,
        recall,
        2 * right / max(len(merged) + total, 1),
        brier_score(y, p),
        calibration_error(y, p),
    )


def brier_score(happened: np.ndarray, probability: np.ndarray) -> float:
    """Return the mean squared difference of probability and outcome."""
    return float(np.mean((probability - happened) ** 2)) if len(happened) else 0.0


def reliability(happened: np.ndarray, probability: np.ndarray, bins: int) -> list[tuple[float, float, int]]:
    """Return (mean outcome, mean probability, count) of each bin of equal width that is not empty."""
    place = np.minimum((probability * bins).astype(int), bins - 1)
    return [
        (float(happened[place == b].mean()), float(probability[place == b].mean()), int((place == b).sum()))
        for b in range(bins)
        if (place == b).any()
    ]


def calibration_error(happened: np.ndarray, probability: np.ndarray, bins: int = 10) -> float:
    """Return the mean distance of outcome and probability over the bins, weighted by count."""
    curve = reliability(happened, probability, bins)
    return sum(n * abs(y - p) for y, p, n in curve) / max(sum(n for *_, n in curve), 1)


def murphy_split(happened: np.ndarray, probability: np.ndarray) -> tuple[float, float, float]:
    """Return (reliability, resolution, uncertainty) over the distinct probabilities.

    Brier score = reliability - resolution + uncertainty.
    """
    rate, values = happened.mean(), np.unique(probability)
    share = np.array([(probability == v).mean() for v in values])
    seen = np.array([happened[probability == v].mean() for v in values])
    return (
        float((share * (values - seen) ** 2).sum()),
        float((share * (seen - rate) ** 2).sum()),
        float(rate * (1 - rate)),
    )


class Clusters(NamedTuple):
    """Scores of a grouping."""

    precision: float
    recall: float
    f1: float


def b_cubed(truth: np.ndarray, response: np.ndarray) -> Clusters:
    """Return B-cubed scores: each member's share of its group that belongs, and of its true group that is there."""
    both = (truth[:, None] == truth[None, :]) & (response[:, None] == response[None, :])
    precision = float((both.sum(axis=1) / (response[:, None] == response[None, :]).sum(axis=1)).mean())
    recall = float((both.sum(axis=1) / (truth[:, None] == truth[None, :]).sum(axis=1)).mean())
    return Clusters(precision, recall, 2 * precision * recall / (precision + recall))


def pairwise(truth: np.ndarray, response: np.ndarray) -> Clusters:
    """Return the scores over all pairs of members."""
    upper = np.triu_indices(len(truth), 1)
    same, joined = (truth[:, None] == truth[None, :])[upper], (response[:, None] == response[None, :])[upper]
    precision, recall = (same & joined).sum() / joined.sum(), (same & joined).sum() / same.sum()
    return Clusters(float(precision), float(recall), float(2 * precision * recall / (precision + recall)))


def clock_errors(clocks: pl.DataFrame, true_clocks: pl.DataFrame, first_day_of: dict[int, object]) -> np.ndarray:
    """Return absolute errors, in seconds, of the offsets at the start and end of sessions with more than ten matched pitches.

    `true_clocks` has tracker, session, true_s, offset_s; `first_day_of` gives the baseball day of a session.
    """
    ends = (
        true_clocks.sort("true_s")
        .group_by("tracker", "session")
        .agg(pl.col("offset_s").first().alias("start"), pl.col("offset_s").last().alias("end"))
    )
    names = ends.with_columns(pl.format("{}-{}", "tracker", "session").alias("file_id"))
    reference = names.select(
        "session",
        pl.col("tracker").alias("reference_tracker"),
        pl.col("start").alias("start_r"),
        pl.col("end").alias("end_r"),
    )
    both = clocks.filter((pl.col("matched") > 10) & pl.col("offset_start_s").is_not_null()).join(
        names.drop("tracker"), on="file_id"
    )
    both = both.join(reference, on=["session", "reference_tracker"])
    error = both.select(
        (pl.col("offset_start_s") - pl.col("start") + pl.col("start_r")).abs(),
        (pl.col("offset_end_s") - pl.col("end") + pl.col("end_r")).abs(),
    )
    return error.to_numpy().ravel()


class LabelScore(NamedTuple):
    """Proposed label corrections against the truth: counts of sightings, then of runs, that add up over seasons.

    `proposed` = `right` (stale, and the right pitcher proposed) + `misnamed` (stale, another pitcher proposed) + `questioned` (the label
    was right; of these `wrong_side`: another tracker's label of that throw was stale). `findable`: stale sightings of real throws for
    which another tracker has the right label; `found`: those that are proposed with the right pitcher. A run is right when most of its
    sightings are; the probabilities predict `expected_runs` of these. A true run (one file, one label, one pitcher) with findable
    sightings is found when most of them are.
    """

    proposed: int
    right: int
    misnamed: int
    questioned: int
    wrong_side: int
    findable: int
    found: int
    runs: int
    right_runs: int
    expected_runs: float
    wrong_side_runs: int
    findable_runs: int
    found_runs: int


def label_score(label_runs: pl.DataFrame, truth: pl.DataFrame, sightings: pl.DataFrame) -> LabelScore:
    """Return the score of `label_runs` in a simulated season."""
    known = _true_labels(truth, sightings)
    proposed = covered_sightings(label_runs).join(known, on="sighting_id", how="left")
    proposed = proposed.with_columns(
        (pl.col("stale") & (_pitcher("proposed_label") == pl.col("pitcher"))).alias("right")
    )
    wrong_side = ~pl.col("stale") & pl.col("other_stale")
    runs = proposed.group_by("run").agg(pl.col("right").mean(), wrong_side.mean().alias("wrong_side"))
    found = known.filter("findable").join(
        proposed.filter("right").select("sighting_id").unique(), on="sighting_id", how="left", coalesce=False
    )
    found = found.with_columns(pl.col("sighting_id_right").is_not_null().alias("found"))
    true_runs = found.group_by("true_run").agg(pl.col("found").mean())
    return LabelScore(
        len(proposed),
        int(proposed["right"].sum()),
        len(proposed.filter(pl.col("stale") & ~pl.col("right"))),
        len(proposed.filter(~pl.col("stale"))),
        len(proposed.filter(wrong_side)),
        len(found),
        int(found["found"].sum()),
        len(runs),
        len(runs.filter(pl.col("right") > 0.5)),
        float(label_runs["probability"].sum()),
        len(runs.filter(pl.col("wrong_side") > 0.5)),
        len(true_runs),
        len(true_runs.filter(pl.col("found") > 0.5)),
    )


def covered_sightings(label_runs: pl.DataFrame) -> pl.DataFrame:
    """Return one row per sighting of a run: run (its number), sighting_id, proposed_label."""
    runs = label_runs.with_row_index("run").select("run", pl.col("sighting_ids").str.split(","), "proposed_label")
    return runs.explode("sighting_ids").rename({"sighting_ids": "sighting_id"})


def _pitcher(label: str) -> pl.Expr:
    """Return the start of a name with its words in order, which no misspelling changes: "Arm07 Demoh", or "Ben S" of "Samplea, Ben"."""
    words = pl.col(label).str.replace_all(r"\W+", " ").str.strip_chars().str.split(" ")
    return words.list.sort().list.join(" ").str.slice(0, 5).alias(label)


def _true_labels(truth: pl.DataFrame, sightings: pl.DataFrame) -> pl.DataFrame:
    """Return sighting_id, pitcher, stale, other_stale, findable, true_run of every sighting with a label."""
    known = sightings.select("sighting_id", "tracker", "file_id", "file_order", "pitcher_label").join(
        truth.select("sighting_id", "throw", "double", _pitcher("true_pitcher").alias("pitcher")), on="sighting_id"
    )
    known = known.filter(pl.col("pitcher_label").is_not_null())
    known = known.with_columns((_pitcher("pitcher_label") != pl.col("pitcher")).alias("stale")).sort(
        "file_id", "file_order"
    )
    real = known.filter(pl.col("throw").is_not_null() & ~pl.col("double"))
    both = real.join(real.select("throw", "tracker", "stale"), on="throw", suffix="_b")
    others = both.filter(pl.col("tracker") != pl.col("tracker_b")).group_by("sighting_id")
    known = known.join(
        others.agg(pl.col("stale_b").any().alias("other_stale"), (~pl.col("stale_b")).any().alias("other_right")),
        on="sighting_id",
        how="left",
    ).with_columns(pl.col("other_stale", "other_right").fill_null(False))
    return known.with_columns(
        (pl.col("stale") & pl.col("other_right")).alias("findable"),
        pl.struct("file_id", "pitcher_label", "pitcher").rle_id().alias("true_run"),
    )
