"""SQL that lists every metric, made from schemas/metrics.py: `python -m schemas.dictionary` writes it to sql/."""

import math
from collections.abc import Sequence

from schemas.metrics import METRICS, Metric

MADE_BY = "made from schemas/metrics.py by `python -m schemas.dictionary`"


def generated_sql() -> dict[str, str]:
    """Return each generated file below sql/ with its text."""
    return {
        "views/metrics.sql": _metrics_view(),
        "views/readings.sql": _readings_view(),
        "checks/values_are_traced.sql": _traced_values_check(),
    }


def _metrics_view() -> str:
    rows = ",\n".join(f"    {_metric_row(metric)}" for metric in METRICS.values())
    return f"""\
-- Which metrics are there, in which unit, and how far may two trackers differ?
-- One row is one metric. This file is {MADE_BY}.
-- metric: the metric: a column of sightings and pitches
-- words: the metric in words
-- unit: unit of its values
-- definition: what it means
-- lowest [the metric's unit]: a reading below this is impossible and becomes null, unless ledger.toml says otherwise
-- highest [the metric's unit]: a reading above this is impossible and becomes null, unless ledger.toml says otherwise
-- tolerance [the metric's unit]: two readings farther apart than this disagree, unless ledger.toml says otherwise
-- decimals [digits]: sensible digits after the decimal point: to a tenth of the tolerance
-- is_angle: whether the values go around a circle
select
    metric,
    words,
    unit,
    definition,
    lowest,
    highest,
    tolerance,
    decimals,
    is_angle
from (
    values
{rows}
) as listed (metric, words, unit, definition, lowest, highest, tolerance, decimals, is_angle)
"""


def _metric_row(metric: Metric) -> str:
    texts = (metric.name, metric.words, metric.unit, metric.definition)
    numbers = (metric.low, metric.high, metric.tolerance)
    decimals = max(0, 1 - math.floor(math.log10(metric.tolerance)))
    quoted = ["'" + text.replace("'", "''") + "'" for text in texts]
    doubles = [f"{float(number)}::double" for number in numbers]
    return f"({', '.join([*quoted, *doubles, str(decimals), str(metric.circular).lower()])})"


def _readings_view() -> str:
    columns = ("sighting_id", "pitch_id", "baseball_day", "tracker")
    return f"""\
-- What did each tracker read? The long form of sightings: one value to a row.
-- One row is one reading: the value of one metric in one sighting. This file is {MADE_BY}.
-- sighting_id: the sighting (table sightings)
-- pitch_id: the pitch (table pitches)
-- baseball_day: local date at the venue; the day changes at 4 am
-- tracker: the tracker
-- metric: the metric (view metrics)
-- value [the metric's unit]: the reading
select
    sighting_id,
    pitch_id,
    baseball_day,
    tracker,
    metric,
    value
from ({_unpivot("sightings", columns, "value")})
"""


def _traced_values_check() -> str:
    return f"""\
-- Each metric of a pitch is the value that pitch_values traces to its trackers.
-- A night keeps it by itself.
-- This file is {MADE_BY}.
with preferred as ({_unpivot("pitches", ("pitch_id",), "on_the_pitch")}),

traced as (
    select pitch_id, metric, value from pitch_values where value is not null
)

select
    coalesce(preferred.pitch_id, traced.pitch_id) as pitch_id,
    coalesce(preferred.metric, traced.metric) as metric,
    preferred.on_the_pitch,
    traced.value as traced
from preferred
full join traced on traced.pitch_id = preferred.pitch_id and traced.metric = preferred.metric
where preferred.on_the_pitch is distinct from traced.value
"""


def _unpivot(table: str, columns: Sequence[str], value: str) -> str:
    """Return a query that turns the metric columns of a table into rows; nulls give no row."""
    metrics = ",\n".join(f"        {name}" for name in METRICS)
    return f"""
    unpivot (select {", ".join(columns)}, {", ".join(METRICS)} from {table})
    on
{metrics}
    into name metric value {value}
"""
