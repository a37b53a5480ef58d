"""Tolerances of metrics and ranks of trackers."""

from collections.abc import Mapping
from typing import NamedTuple, Self

from schemas.metrics import METRICS


class Standards(NamedTuple):
    """`tolerances` of every metric, in its unit; `ranks` by tracker, 1 = most trusted.

    If either changes, so do all facts.
    """

    tolerances: dict[str, float]
    ranks: dict[str, int]

    @classmethod
    def with_defaults(cls, stated_tolerances: Mapping[str, float], ranks: Mapping[str, int]) -> Self:
        """Fill in the usual tolerance of each metric that has no stated one."""
        usual = {name: metric.tolerance for name, metric in METRICS.items()}
        return cls({**usual, **stated_tolerances}, dict(ranks))
