-- How far apart are two trackers in each metric, and is it getting worse?
-- One row is one pair and metric over all pitches that both saw, with the live alarm if there is one.
-- tracker_a: the tracker with the better rank
-- tracker_b: the other tracker; differences are b minus a
-- metric: the metric: a column of sightings
-- n [pitches]: pitches that both measured
-- nights [nights]: baseball days among them
-- bias [the metric's unit]: mean of b minus a
-- bias_low [the metric's unit]: lower end of its 95 % interval
-- bias_high [the metric's unit]: upper end of its 95 % interval
-- sd [the metric's unit]: standard deviation of the differences
-- loa_low [the metric's unit]: lower 95 % limit of agreement
-- loa_high [the metric's unit]: upper 95 % limit of agreement
-- share_beyond [ratio]: share of pitches that differ by more than the tolerance
-- tolerance [the metric's unit]: difference beyond which the two disagree
-- bias_grows: whether the bias changes with the reading: the slope's interval excludes 1
-- same_quantity: false where the two measure the metric in different ways
-- small_n: too few pitches or nights for a firm result
-- bias_before_corrections [the metric's unit]: the bias of the raw readings, where a correction applies
-- alarm: the live alarm as a sentence; null where there is none
-- note: what to know before using the row
select
    agreement.tracker_a,
    agreement.tracker_b,
    agreement.metric,
    agreement.n,
    agreement.nights,
    agreement.bias,
    agreement.bias_low,
    agreement.bias_high,
    agreement.sd,
    agreement.loa_low,
    agreement.loa_high,
    agreement.share_beyond,
    agreement.tolerance,
    coalesce(agreement.slope_low > 1 or agreement.slope_high < 1, false) as bias_grows,
    agreement.same_quantity,
    agreement.small_n,
    uncorrected.bias as bias_before_corrections,
    drift.sentence as alarm,
    agreement.note
from agreement
left join agreement as uncorrected
    on
        uncorrected.tracker_a = agreement.tracker_a
        and uncorrected.tracker_b = agreement.tracker_b
        and uncorrected.metric = agreement.metric
        and uncorrected.slice_by = 'before_corrections'
left join drift
    on
        drift.tracker_a = agreement.tracker_a
        and drift.tracker_b = agreement.tracker_b
        and drift.metric = agreement.metric
        and drift.latest
        and drift.alarm
where agreement.slice_by = 'all'
