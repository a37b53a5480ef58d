-- Which trackers read otherwise than they used to, since when, and which of them moved?
-- One row is one pair and metric whose control chart is under alarm on its last night.
-- tracker_a: the tracker of better rank
-- tracker_b: the other tracker; differences are b minus a
-- metric: the metric: a column of sightings
-- baseball_day: the last night that both saw pitches
-- change_day: first night after the change, estimated
-- change_low: earliest night it may have been (95 %)
-- change_high: latest night it may have been (95 %)
-- usual_bias [the metric's unit]: what the difference usually is
-- level [the metric's unit]: the difference since the change
-- size [the metric's unit]: level minus usual_bias
-- nights_since [nights]: nights since the change
-- pitches_since [pitches]: pitches since the change
-- mover: the tracker that moved; null where it can't be told
-- mover_how: how that is known, or why it is not
-- matters: whether the change is a quarter of the metric's tolerance or more
-- sentence: the alarm in words
select
    tracker_a,
    tracker_b,
    metric,
    baseball_day,
    change_day,
    change_low,
    change_high,
    usual_bias,
    level,
    size,
    nights_since,
    pitches_since,
    mover,
    mover_how,
    matters,
    sentence
from drift
where latest and alarm
