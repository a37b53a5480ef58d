"""Proposals for a start bias that was wrong.

The difference of two trackers' medians misleads if they saw other pitchers. README.md, section "When the first clock is
wrong".
"""

from dataclasses import replace

import numpy as np

from pipeline.matching.clocks.search import coincident_pairs
from pipeline.matching.data.arrays import medians
from pipeline.matching.data.days import Days
from pipeline.matching.evidence.readings import differences, shared_metrics
from pipeline.matching.learning.day_fit import StartFit

# Values without a source of their own were chosen on simulated seasons (tests/benchmarks).

# A tracker pair with fewer expected matches than this on a day found nothing. A session is found beyond doubt with at
# least as many ...
_MIN_MATCHED = 6.0
# ... that are more than this share of the smaller stream: of two trackers that share an arm it is 0.8 to 1.0 in
# simulated seasons (550 sessions), of two that share none at most 0.67 ...
_MIN_SHARE = 0.75
# ... and with this log evidence of one session.
_MIN_LOG_EVIDENCE = 30.0


def assume_bias_of_coincident_pairs(days: Days, start: StartFit) -> StartFit:
    """Try the bias of the pairs that coincide in time.

    Where the readings contradict every clock path. A roaming tracker at two mounds sees other arms besides, so that the
    medians differ by more than the bias. Its own cost: the pairs must stand out from chance (`coincident_pairs`).
    """
    regions = start.search.regions
    score = np.array([region.clock.score if region.clock is not None else -np.inf for region in regions])
    best = np.full(len(days.model_keys), -np.inf)
    np.maximum.at(best, days.model_of, score)
    bias, most = start.model.bias.copy(), np.zeros(len(best))
    for p in np.flatnonzero((best[days.model_of] <= 0) & (score > -np.inf)).tolist():
        streams, m = days.stream_pairs[p], int(days.model_of[p])
        if not streams.is_coarse:
            first, second = coincident_pairs(streams.first.seen_s, streams.second.seen_s)
            if len(first) > most[m]:
                most[m], metrics = len(first), shared_metrics(start.model, m)
                rows = streams.first.rows[first], streams.second.rows[second]
                bias[m, metrics] = np.nan_to_num(medians(differences(days.records.readings, *rows, metrics).T))
    chosen = np.flatnonzero(most[days.model_of] > 0)
    return start.retry(days, chosen, start.model._replace(bias=bias)) if len(chosen) else start


def assume_zero_bias(days: Days, start: StartFit) -> StartFit:
    """Try a bias of zero where a pair of trackers found nothing.

    Accept it if it finds a session beyond doubt. If one of them saw a few arms only, a left-hander among right-handers,
    the medians differ by more than the bias. Other arms' pitches can look like pitches in common, too, but never most
    of them.
    """
    matched = np.bincount(days.model_of, start.fit.matched, len(days.model_keys))
    lost = matched < _MIN_MATCHED
    asked = np.flatnonzero(lost[days.model_of])
    if not len(asked):
        return start
    zero = np.where(lost[:, None], 0.0, start.model.bias)
    new = start.retry(days, asked, start.model._replace(bias=zero))
    found = new.fit.matched[asked]
    is_session = (found > _MIN_SHARE * days.smaller_size[asked]) & (found >= _MIN_MATCHED)
    is_session &= new.fit.log_evidence[asked] > _MIN_LOG_EVIDENCE
    better = np.bincount(days.model_of[asked], is_session, len(lost)) > 0
    chosen = asked[better[days.model_of[asked]]]
    return replace(
        start,
        model=start.model._replace(bias=np.where(better[:, None], zero, start.model.bias)),
        has_zero_bias=better,
        search=start.search.put(chosen, new.search.only(chosen)),
        fit=start.fit.put(chosen, new.fit.only(chosen)),
    )
