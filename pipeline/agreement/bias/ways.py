"""How a tracker gets a metric: two ways may be two quantities, and then their difference is not all error."""

import polars as pl

MEASURED, FITTED, INFERRED = "measured", "from the fitted flight", "inferred from movement"
# A constant-acceleration fit reads release speed 0.05 to 0.17 mph low, and an axis inferred from movement lies a median of 17 degrees
# from the measured one, without any error of either tracker. For other metrics the way makes no such difference.
DIFFERING = ("release_speed_mph", "plate_speed_mph", "spin_axis_deg")


def ways_of_measuring(metric_sources: pl.DataFrame) -> dict[tuple[str, str], str]:
    """The way by (tracker, metric), for the metrics where it makes another quantity; from the table `metric_sources`."""
    inferred = pl.col("definition").str.contains("inferred").fill_null(False)
    fitted = pl.col("computed_from").str.contains("trajectory").fill_null(False)
    way = pl.when(inferred).then(pl.lit(INFERRED)).when(fitted).then(pl.lit(FITTED)).otherwise(pl.lit(MEASURED))
    known = metric_sources.filter(pl.col("metric").is_in(DIFFERING)).select("tracker", "metric", way.alias("way"))
    return {(tracker, metric): name for tracker, metric, name in known.rows()}
