"""Reconcile: one row for each real pitch, with the preferred value of each metric by a stated policy, and where it came from."""

from collections.abc import Collection, Mapping
from datetime import date
from types import MappingProxyType
from typing import NamedTuple

import polars as pl

from pipeline.pitches.sessions import place_in_sessions, place_in_time
from pipeline.settings.ledger import Policy
from schemas.metrics import METRICS

_VARIANCES = ("baseball_day", "metric", "tracker", "other", "variance")
# A reading this many tolerances away from two that agree is an outlier and not preferred (common practice, no source).
OUTLIER_TOLERANCES = 2.0
PITCHER_COLUMNS = ("pitcher_label", "pitcher_native_id", "pitcher_id", "pitcher_by", "pitcher_hand", "team_label")
_BY_PERSON = pl.col("pitcher_by") == "person"
BY_RANK = (
    "occasion",
    "batter_label",
    "batter_native_id",
    "batter_id",
    "batter_side",
    "inning",
    "half",
    "outs",
    "balls",
    "strikes",
    "pitch_result",
    "plate_appearance_result",
)


class Rules(NamedTuple):
    """How values are preferred.

    `ranks`: by tracker, 1 = trusted most. `policies`, `tolerances`: by metric; a metric without a policy takes the best-ranked reading, one
    without a tolerance its own. `doubtful_below`: match probability. `occasion_stated_by`: the trackers whose exports state the occasion;
    other trackers only assume what is usual at the station.
    """

    ranks: Mapping[str, int]
    policies: Mapping[str, Policy] = MappingProxyType({})
    tolerances: Mapping[str, float] = MappingProxyType({})
    doubtful_below: float = 0.9
    occasion_stated_by: Collection[str] = ()


class Reconciled(NamedTuple):
    """The tables made of pitches: see the contracts of the same names in schemas/."""

    pitches: pl.DataFrame
    pitch_values: pl.DataFrame
    sessions: pl.DataFrame
    outings: pl.DataFrame
    pitch_aliases: pl.DataFrame


def reconcile(sightings: pl.DataFrame, groups: pl.DataFrame, calibration: pl.DataFrame, rules: Rules) -> Reconciled:
    """Make one pitch of each group of sightings.

    `groups`: sighting_id, group_id, match_probability, decided_by, one row per sighting. `calibration`: what matching learned of each pair
    of trackers (bias of b against a, spread of the differences).
    """
    members = sightings.join(groups, on="sighting_id").with_columns(
        rank=pl.col("tracker").replace_strict(dict(rules.ranks), return_dtype=pl.Int32),
        pitch_id=pl.format("p{}", pl.col("group_id").str.slice(1)),
    )
    members = place_in_time(members).sort("pitch_id", "rank", "sighting_id")
    values = _prefer_values(members, own_noise(calibration), rules)
    pitches, sessions, outings = place_in_sessions(_merge_rows(members, values, rules))
    return Reconciled(pitches, values, sessions, outings, _aliases(members))


def own_noise(calibration: pl.DataFrame) -> pl.DataFrame:
    """Return each tracker's bias against the best-ranked one and its own error SD: baseball_day, tracker, metric, bias, own_sd.

    With three trackers, its own variance is (s_ab^2 + s_ac^2 - s_bc^2) / 2 (Grubbs 1948), at least a hundredth of the smallest pair
    variance. With two, only the variance of the difference is known, and each gets half of it.
    """
    pairs = calibration.filter(pl.col("spread") > 0).select(
        "baseball_day", "metric", tracker="tracker_a", other="tracker_b", variance=pl.col("spread") ** 2
    )
    both = pl.concat(
        [pairs.select(_VARIANCES), pairs.rename({"tracker": "other", "other": "tracker"}).select(_VARIANCES)]
    )
    keys = ["baseball_day", "metric"]
    triples = (
        both.join(both.rename({"other": "third", "variance": "variance_third"}), on=[*keys, "tracker"])
        .filter(pl.col("other") < pl.col("third"))
        .join(
            both.rename({"tracker": "other", "other": "third", "variance": "variance_across"}),
            on=[*keys, "other", "third"],
        )
    )
    grubbs = triples.group_by(*keys, "tracker").agg(
        grubbs=((pl.col("variance") + pl.col("variance_third") - pl.col("variance_across")) / 2).mean()
    )
    halves = both.group_by(*keys, "tracker").agg(smallest=pl.col("variance").min())
    noise = halves.join(grubbs, on=[*keys, "tracker"], how="left").with_columns(
        own_sd=pl.max_horizontal(pl.coalesce("grubbs", pl.col("smallest") / 2), pl.col("smallest") / 100).sqrt()
    )
    bias = (
        calibration.select(*keys, tracker="tracker_b", bias="bias", best="tracker_a")
        .sort("best")
        .group_by(*keys, "tracker", maintain_order=True)
        .agg(pl.col("bias").first())
    )
    return noise.join(bias, on=[*keys, "tracker"], how="left").select(
        *keys, "tracker", pl.col("bias").fill_null(0.0), "own_sd"
    )


def changed_noise_nights(old: pl.DataFrame, new: pl.DataFrame, seen: pl.DataFrame) -> list[date]:
    """Return the nights whose preferred values change because the known bias or noise of a tracker changed.

    `old`, `new`: calibration of all nights. `seen`: tracker, baseball_day of the nights in question.
    """
    if seen.is_empty():
        return []
    days = seen.join(pl.DataFrame({"metric": list(METRICS)}), how="cross")
    before, after = (_known_noise(days, own_noise(calibration)) for calibration in (old, new))
    moved = before["bias"].ne_missing(after["bias"]) | before["own_sd"].ne_missing(after["own_sd"])
    return after.filter(moved).get_column("baseball_day").unique().sort().to_list()


def _prefer_values(members: pl.DataFrame, noise: pl.DataFrame, rules: Rules) -> pl.DataFrame:
    """Return pitch_values: one row for each pitch and metric that any tracker measured."""
    metric_rules = _metric_rules(rules, members.get_column("tracker").unique())
    pitches = (
        members.select("pitch_id", "baseball_day")
        .unique("pitch_id", keep="first", maintain_order=True)
        .with_row_index("pitch")
    )
    numbered = members.select("pitch_id", "tracker", "rank", *METRICS).join(pitches, on="pitch_id").drop("pitch_id")
    readings = numbered.unpivot(
        on=list(METRICS),
        index=["pitch", "baseball_day", "tracker", "rank"],
        variable_name="metric",
        value_name="reading",
    ).drop_nulls("reading")
    readings = _with_noise(readings.join(metric_rules, on=["metric", "tracker"]), noise)
    # One number per pitch and metric: grouping by two text columns takes ten times as long.
    readings = readings.with_columns(group=pl.col("pitch") * len(METRICS) + pl.col("metric_number")).sort(
        "group", "place", "rank"
    )
    values = _preferred_values(_with_outliers(_unwrap(readings)))
    return values.join(pitches.select("pitch", "pitch_id"), on="pitch").sort("pitch_id", "metric").drop("pitch")


def _metric_rules(rules: Rules, trackers: pl.Series) -> pl.DataFrame:
    """Return one row per metric and tracker: place in the policy's order (trackers not named share the last), tolerance, blend or not."""
    rows = [
        (
            name,
            number,
            tracker,
            order.index(tracker) if tracker in order else len(order),
            rules.tolerances.get(name, metric.tolerance),
            method == "blend",
            metric.circular,
        )
        for number, (name, metric) in enumerate(METRICS.items())
        for method, order in [rules.policies.get(name, Policy())]
        for tracker in trackers.sort()
    ]
    names = {
        "metric": pl.String,
        "metric_number": pl.UInt32,
        "tracker": pl.String,
        "place": pl.Int32,
        "tolerance": pl.Float64,
        "blend": pl.Boolean,
        "circular": pl.Boolean,
    }
    return pl.DataFrame(rows, schema=names, orient="row")


def _with_noise(readings: pl.DataFrame, noise: pl.DataFrame) -> pl.DataFrame:
    """Join the latest known bias and own SD of each tracker and metric, not later than the day itself."""
    known = _known_noise(readings.select("baseball_day", "tracker", "metric").unique(), noise)
    return readings.join(known, on=["baseball_day", "tracker", "metric"], how="left")


def _known_noise(days: pl.DataFrame, noise: pl.DataFrame) -> pl.DataFrame:
    """Add to `days` (baseball_day, tracker, metric) the latest bias and own_sd known on that day."""
    return days.sort("baseball_day", "tracker", "metric").join_asof(
        noise.sort("baseball_day"),
        on="baseball_day",
        by=["tracker", "metric"],
        strategy="backward",
        check_sortedness=False,
    )


def _unwrap(readings: pl.DataFrame) -> pl.DataFrame:
    """Add x: the reading; for a direction, the reading shifted by full turns to within half a turn of the pitch's first."""
    first = readings.group_by("group", maintain_order=True).agg(first=pl.col("reading").first())
    turned = pl.col("first") + (pl.col("reading") - pl.col("first") + 180) % 360 - 180
    x = pl.when("circular").then(turned).otherwise(pl.col("reading"))
    return readings.join(first, on="group", maintain_order="left").with_columns(x=x).drop("first")


def _with_outliers(readings: pl.DataFrame) -> pl.DataFrame:
    """Add seen_by, lowest, highest, and `outlier`: whether a reading is far from two others that agree."""
    ordered = readings.sort("group", "x", "rank")
    same = pl.col("group") == pl.col("group").shift(1)
    gap_below = pl.when(same).then(pl.col("x") - pl.col("x").shift(1))
    ordered = ordered.with_columns(gap_below=gap_below).with_columns(gap_above=pl.col("gap_below").shift(-1))
    facts = ordered.group_by("group", maintain_order=True).agg(
        closest=pl.col("gap_below").min(), seen_by=pl.len(), lowest=pl.col("x").first(), highest=pl.col("x").last()
    )
    outlier = (
        (pl.col("seen_by") >= 3)
        & (pl.col("closest") <= pl.col("tolerance"))
        & (pl.min_horizontal("gap_below", "gap_above") > OUTLIER_TOLERANCES * pl.col("tolerance"))
    )
    judged = ordered.join(facts, on="group", maintain_order="left").with_columns(outlier=outlier.fill_null(False))
    return judged.sort("group", "outlier", "place", "rank")


def _preferred_values(readings: pl.DataFrame) -> pl.DataFrame:
    """Return the preferred value of each pitch and metric, its source and its uncertainty (1 SD)."""
    usable = ~pl.col("outlier")
    weight = pl.when(usable).then(1 / pl.col("own_sd") ** 2)
    mean = (weight * (pl.col("x") - pl.col("bias"))).sum() / weight.sum()
    chi2 = (weight * (pl.col("x") - pl.col("bias") - mean) ** 2).sum()
    usable_count = usable.sum()
    # Readings that disagree beyond the tolerance are not averaged: the first is preferred.
    spread = pl.col("x").filter(usable).max() - pl.col("x").filter(usable).min()
    tolerance = pl.col("tolerance").first()
    blends = (
        pl.col("blend").first()
        & (usable_count >= 2)
        & (weight.is_not_null().sum() == usable_count)
        & (spread <= OUTLIER_TOLERANCES * tolerance)
    )
    # Birge ratio: widens the uncertainty of a weighted mean whose readings scatter more than their errors allow (Birge 1932).
    birge = pl.max_horizontal((chi2 / (usable_count - 1)).sqrt(), pl.lit(1.0))
    single_sd = (
        pl.when(spread > tolerance)
        .then(pl.max_horizontal(pl.col("own_sd").first(), spread / 2))
        .otherwise(pl.col("own_sd").first())
    )
    chosen = readings.group_by("group", maintain_order=True).agg(
        pl.col("pitch", "metric", "baseball_day").first(),
        value=pl.when(blends).then(mean).otherwise(pl.col("x").first()),
        policy=pl.when(blends).then(pl.lit("blend")).otherwise(pl.lit("prefer")),
        trackers=pl.when(blends)
        .then(pl.col("tracker").filter(usable).str.join(","))
        .otherwise(pl.col("tracker").first()),
        seen_by=pl.col("seen_by").first().cast(pl.UInt8),
        lowest=pl.col("lowest").first(),
        highest=pl.col("highest").first(),
        uncertainty=pl.when(blends).then(birge / weight.sum().sqrt()).otherwise(single_sd),
        outliers=pl.col("tracker").filter(~usable).str.join(","),
        circular=pl.col("circular").first(),
    )
    turn = pl.col("circular")
    return chosen.with_columns(
        *(
            pl.when(turn).then(pl.col(name) % 360).otherwise(pl.col(name)).alias(name)
            for name in ("value", "lowest", "highest")
        ),
        spread=pl.col("highest") - pl.col("lowest"),
        outliers=pl.when(pl.col("outliers") != "").then("outliers"),
    ).drop("circular", "group")


def _merge_rows(members: pl.DataFrame, values: pl.DataFrame, rules: Rules) -> pl.DataFrame:
    """Return one row per pitch: labels by rank, pitch type by operator first, pitcher by majority, and preferred values."""
    first = [pl.col(name).drop_nulls().first() for name in BY_RANK]
    known_types = pl.col("pitch_type").filter(pl.col("pitch_type") != "unknown").drop_nulls()
    pitches = members.group_by("pitch_id", maintain_order=True).agg(
        *first,
        pl.col("occasion")
        .filter(pl.col("tracker").is_in(list(rules.occasion_stated_by)))
        .drop_nulls()
        .first()
        .alias("stated"),
        pl.col("venue").first(),
        pl.col("station").drop_nulls().first(),
        pl.col("baseball_day").first(),
        pl.col("position").drop_nulls().first(),
        pl.col("reference_at").drop_nulls().first().alias("thrown_at"),
        pl.col("reference_by").drop_nulls().first().alias("thrown_at_by"),
        pl.col("native_session").drop_nulls().first(),
        pl.col("file_order").first(),
        seen_by=pl.len().cast(pl.UInt8),
        trackers=pl.col("tracker").str.join(","),
        match_probability=pl.col("match_probability").min(),
        label_conflict=(known_types.n_unique() > 1) | (pl.col("pitch_result").drop_nulls().n_unique() > 1),
        pitcher_conflict=pl.when(_BY_PERSON.any())
        .then(pl.col("pitcher_id").filter(_BY_PERSON).n_unique() > 1)
        .otherwise(pl.col("pitcher_id").drop_nulls().n_unique() > 1),
    )
    types = (
        members.filter(pl.col("pitch_type").is_not_null())
        .sort(
            "pitch_id",
            pl.col("pitch_type") == "unknown",
            pl.col("pitch_type_by") != "operator",
            "rank",
            nulls_last=True,
        )
        .group_by("pitch_id", maintain_order=True)
        .agg(pl.col("pitch_type", "pitch_type_by").first())
    )
    outliers = (
        values.filter(pl.col("outliers").is_not_null())
        .group_by("pitch_id", maintain_order=True)
        .agg(outliers=pl.format("{}:{}", "outliers", "metric").str.join(", "))
    )
    wide = values.pivot("metric", index="pitch_id", values="value")
    missing = [pl.lit(None, pl.Float64).alias(name) for name in METRICS if name not in wide.columns]
    joined = pitches
    for columns in (_pitchers(members), types, outliers, wide.with_columns(missing)):
        joined = joined.join(columns, on="pitch_id", how="left")
    return joined.with_columns(
        doubtful=pl.col("match_probability") < rules.doubtful_below,
        season=pl.col("baseball_day").dt.year().cast(pl.Int32),
        month=pl.col("baseball_day").dt.month().cast(pl.Int8),
    )


def _pitchers(members: pl.DataFrame) -> pl.DataFrame:
    """Return each pitch's pitcher: whom a person names, else whom most trackers name, else the best-ranked; a known player before a label.

    Label, number and hand come from a tracker that names this pitcher, where there is one.
    """
    named = members.filter(pl.col("pitcher_label").is_not_null() | pl.col("pitcher_id").is_not_null()).with_columns(
        votes=pl.len().over("pitch_id", pl.coalesce("pitcher_id", "pitcher_label")),
        decided=pl.col("pitcher_id").filter(_BY_PERSON).first().over("pitch_id"),
    )
    names_another = pl.col("pitcher_id").ne_missing(pl.col("decided")) & pl.col("decided").is_not_null()
    votes = -pl.col("votes").cast(pl.Int32)
    return (
        named.sort(
            "pitch_id",
            names_another.alias("names_another"),
            pl.col("pitcher_id").is_null(),
            votes,
            _BY_PERSON.fill_null(False),
            "rank",
        )
        .group_by("pitch_id", maintain_order=True)
        .agg(*(pl.col(name).first() for name in PITCHER_COLUMNS), pl.col("decided").first())
        .with_columns(
            pitcher_by=pl.when(pl.col("decided").is_not_null()).then(pl.lit("person")).otherwise("pitcher_by")
        )
        .drop("decided")
    )


def _aliases(members: pl.DataFrame) -> pl.DataFrame:
    """Return an alias for every other id that a pitch could have had.

    A pitch is named after one of its sightings, so each of its other sightings gives one alias. A later run may regroup sightings and name
    the pitch after another one; each id still leads to a pitch.
    """
    return (
        members.select(
            "baseball_day", old_pitch_id=pl.format("p{}", pl.col("sighting_id").str.slice(1)), pitch_id="pitch_id"
        )
        .filter(pl.col("old_pitch_id") != pl.col("pitch_id"))
        .sort("old_pitch_id")
    )
