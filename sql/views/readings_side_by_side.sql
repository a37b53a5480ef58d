-- What did each tracker read on each pitch, side by side?
-- One row is one metric of one pitch that was read by at least one tracker; the first to fourth tracker are in order of rank.
-- pitch_id: the pitch (table pitches)
-- baseball_day: local date at the venue; the day changes at 4 am
-- metric: the metric: a column of pitches
-- preferred: the value that the pitch carries, in the metric's unit
-- policy: how the preferred value was chosen: see table pitch_values
-- tracker_1: the top-ranked tracker that read it
-- reading_1: its reading, in the metric's unit
-- tracker_2: the next tracker
-- reading_2: its reading
-- tracker_3: the next tracker
-- reading_3: its reading
-- tracker_4: the next tracker
-- reading_4: its reading
-- readings: how many trackers read it
-- spread: highest minus lowest reading; around the circle for an angle
-- outliers: trackers whose reading is too far from the others
with ranked as (
    select
        readings.pitch_id,
        readings.metric,
        readings.tracker,
        readings.value as reading,
        row_number() over (
            partition by readings.pitch_id, readings.metric
            -- pitches.trackers lists the trackers by rank
            order by list_position(string_split(pitches.trackers, ','), readings.tracker), readings.tracker
        ) as place
    from readings
    inner join pitches on pitches.pitch_id = readings.pitch_id
),

side_by_side as (
    select
        pitch_id,
        metric,
        max(tracker) filter (where place = 1) as tracker_1,
        max(reading) filter (where place = 1) as reading_1,
        max(tracker) filter (where place = 2) as tracker_2,
        max(reading) filter (where place = 2) as reading_2,
        max(tracker) filter (where place = 3) as tracker_3,
        max(reading) filter (where place = 3) as reading_3,
        max(tracker) filter (where place = 4) as tracker_4,
        max(reading) filter (where place = 4) as reading_4,
        count(*) as readings
    from ranked
    group by pitch_id, metric
)

select
    side_by_side.pitch_id,
    pitch_values.baseball_day,
    side_by_side.metric,
    pitch_values.value as preferred,
    pitch_values.policy,
    side_by_side.tracker_1,
    side_by_side.reading_1,
    side_by_side.tracker_2,
    side_by_side.reading_2,
    side_by_side.tracker_3,
    side_by_side.reading_3,
    side_by_side.tracker_4,
    side_by_side.reading_4,
    side_by_side.readings,
    pitch_values.spread,
    pitch_values.outliers
from side_by_side
inner join pitch_values on pitch_values.pitch_id = side_by_side.pitch_id and pitch_values.metric = side_by_side.metric
