-- Which trackers now read differently than before, since when, and which of them moved?
-- One row is one pair and metric whose control chart has a live alarm on its last night.
-- tracker_a: the tracker with the better rank
-- tracker_b: the other tracker; differences are b minus a
-- metric: the metric: a column of sightings
-- baseball_day: the last night that both saw pitches
-- change_day: estimated first night after the change
-- change_low: earliest possible such night (95 %)
-- change_high: latest possible such night (95 %)
-- usual_bias [the metric's unit]: usual difference, its level over the longest stretch so far
-- level [the metric's unit]: difference since the change
-- size [the metric's unit]: level minus usual_bias
-- nights_since [nights]: nights since the change
-- pitches_since [pitches]: pitches since the change
-- mover: the tracker that moved; null where that is unknown
-- mover_how: the evidence for it, or why it is unknown
-- matters: whether the change is a quarter of the metric's tolerance or more
-- sentence: the alarm as a sentence
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
