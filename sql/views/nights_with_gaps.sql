-- On which nights did a tracker miss much of what another saw at the same station?
-- One row is one tracker against one other tracker at a station on a baseball day, where it saw less than gap_share (table settings).
-- A tracker that saw nothing is listed, too, if it usually works at the station (on at least half of its days in the four weeks before).
-- baseball_day: local date at the venue; the day changes at 4 am
-- venue: the ballpark or practice field
-- station: the mound
-- tracker: the tracker with the gap
-- other_tracker: the tracker that saw more
-- pitches_other [pitches]: pitches that the other tracker saw
-- pitches_both [pitches]: pitches among them that this tracker saw too
-- pitches_tracker [pitches]: all pitches that this tracker saw there
-- share_seen [ratio]: pitches_both divided by pitches_other
-- gap_share [ratio]: the share below which a night is listed
with combinations as (
    -- each pitch lists the trackers that saw it, so a long history is counted once and not joined with itself
    select
        venue,
        station,
        baseball_day,
        string_split(trackers, ',') as trackers,
        count(*) as pitches
    from pitches
    where station is not null
    group by venue, station, baseball_day, trackers
),

seen as (
    select
        venue,
        station,
        baseball_day,
        trackers,
        pitches,
        unnest(trackers) as tracker
    from combinations
),

tracker_days as (
    select
        venue,
        station,
        baseball_day,
        tracker,
        cast(sum(pitches) as bigint) as pitches
    from seen
    group by venue, station, baseball_day, tracker
),

station_days as (
    select distinct
        venue,
        station,
        baseball_day
    from tracker_days
),

days_before as (
    select
        today.venue,
        today.station,
        today.baseball_day,
        count(*) as days
    from station_days as today
    inner join station_days as earlier
        on
            earlier.venue = today.venue and earlier.station = today.station
            and earlier.baseball_day between today.baseball_day - 28 and today.baseball_day - 1
    group by today.venue, today.station, today.baseball_day
),

usual_trackers as (
    select
        days_before.venue,
        days_before.station,
        days_before.baseball_day,
        earlier.tracker
    from days_before
    inner join tracker_days as earlier
        on
            earlier.venue = days_before.venue and earlier.station = days_before.station
            and earlier.baseball_day between days_before.baseball_day - 28 and days_before.baseball_day - 1
    group by days_before.venue, days_before.station, days_before.baseball_day, earlier.tracker, days_before.days
    having 2 * count(*) >= days_before.days
),

expected as (
    select
        venue,
        station,
        baseball_day,
        tracker
    from usual_trackers
    union
    select
        venue,
        station,
        baseball_day,
        tracker
    from tracker_days
),

pairs as (
    select
        venue,
        station,
        baseball_day,
        tracker,
        pitches,
        unnest(trackers) as other_tracker
    from seen
),

both_saw as (
    select
        venue,
        station,
        baseball_day,
        tracker,
        other_tracker,
        cast(sum(pitches) as bigint) as pitches
    from pairs
    where other_tracker <> tracker
    group by venue, station, baseball_day, tracker, other_tracker
)

select
    expected.baseball_day,
    expected.venue,
    expected.station,
    expected.tracker,
    other.tracker as other_tracker,
    other.pitches as pitches_other,
    coalesce(both_saw.pitches, 0) as pitches_both,
    coalesce(this.pitches, 0) as pitches_tracker,
    coalesce(both_saw.pitches, 0) / other.pitches as share_seen,
    settings.value as gap_share
from expected
inner join tracker_days as other
    on
        other.venue = expected.venue and other.station = expected.station
        and other.baseball_day = expected.baseball_day and other.tracker <> expected.tracker
inner join settings on settings.setting = 'gap_share'
left join tracker_days as this
    on
        this.venue = expected.venue and this.station = expected.station
        and this.baseball_day = expected.baseball_day and this.tracker = expected.tracker
left join both_saw
    on
        both_saw.venue = expected.venue and both_saw.station = expected.station and both_saw.baseball_day = expected.baseball_day
        and both_saw.tracker = expected.tracker and both_saw.other_tracker = other.tracker
where coalesce(both_saw.pitches, 0) / other.pitches < settings.value
