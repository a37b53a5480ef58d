-- Which records did a device or a person call no pitch: warm-up throws, throws back to the mound?
-- One row is one such record, however many exports hold it. Warm-up throws that several trackers recorded within seconds are one throw.
-- sighting_id: the id that the record has, or would have, as a sighting
-- tracker: the tracker
-- baseball_day: local date at the venue; the day changes at 4 am
-- venue: the ballpark or practice field
-- station: the mound; null if unknown
-- thrown_at [UTC]: time by the reference clock of the session, as in table pitches; null without a time of day of 2 s or finer
-- arm: the pitcher's player id; "label: ..." if the name is unresolved; "not named" if the tracker names no pitcher
-- release_speed_mph [mph]: speed at release
-- is_warm_up: whether it is a warm-up throw
-- counts: whether it is a warm-up throw that is counted; false for the second tracker's record of one, and for a record that is a pitch in another export
-- why: the reason in words
with records as (
    select
        set_aside.sighting_id,
        set_aside.tracker,
        set_aside.baseball_day,
        set_aside.file_id,
        set_aside.file_row,
        set_aside.station,
        set_aside.thrown_at,
        set_aside.pitcher_label,
        set_aside.pitcher_native_id,
        set_aside.release_speed_mph,
        coalesce(set_aside.is_warm_up, lower(decisions.why) like 'warm%', false) as is_warm_up,
        set_aside.why
    from set_aside
    left join decisions on decisions.kind = 'no_pitch' and decisions.subject = set_aside.sighting_id
    where set_aside.kind = 'no_pitch' and set_aside.baseball_day is not null
    qualify row_number() over (partition by set_aside.sighting_id order by set_aside.file_id desc, set_aside.file_row) = 1
),

clocked as (
    -- each sighting shows how far its tracker's clock is ahead of the reference
    select
        sightings.file_id,
        sightings.file_row,
        sightings.station,
        sightings.thrown_at - pitches.thrown_at as ahead
    from sightings
    inner join pitches on pitches.pitch_id = sightings.pitch_id
    where sightings.file_id in (select file_id from records) and sightings.clock_resolution_s <= 2 and pitches.thrown_at is not null
),

timed as (
    select
        records.*,
        coalesce(records.station, earlier.station, later.station) as mound,
        records.thrown_at - coalesce(earlier.ahead, later.ahead) as reference_at
    from records
    asof left join clocked as earlier on earlier.file_id = records.file_id and earlier.file_row <= records.file_row
    asof left join clocked as later on later.file_id = records.file_id and later.file_row >= records.file_row
),

names as (
    select
        tracker,
        baseball_day,
        pitcher_label,
        pitcher_native_id,
        mode(pitcher_id order by pitcher_id) as pitcher_id
    from sightings
    where pitcher_id is not null and file_id in (select file_id from records)
    group by tracker, baseball_day, pitcher_label, pitcher_native_id
),

placed as (
    select
        timed.*,
        trackers.venue,
        trackers.rank,
        coalesce(names.pitcher_id, 'label: ' || timed.pitcher_label, 'not named') as arm
    from timed
    inner join trackers on trackers.tracker = timed.tracker
    left join names
        on
            names.tracker = timed.tracker and names.baseball_day = timed.baseball_day
            and names.pitcher_label is not distinct from timed.pitcher_label
            and names.pitcher_native_id is not distinct from timed.pitcher_native_id
),

again as (
    select distinct later.sighting_id
    from placed as later
    inner join placed as first_record
        on
            first_record.baseball_day = later.baseball_day and first_record.venue = later.venue and first_record.mound = later.mound
            and first_record.rank < later.rank and first_record.is_warm_up
            -- trackers' stamps of one throw differ by up to 2 s, throws by more than 5 s (common practice, no source)
            and abs(epoch(first_record.reference_at) - epoch(later.reference_at)) <= 5
)

select
    placed.sighting_id,
    placed.tracker,
    placed.baseball_day,
    placed.venue,
    placed.mound as station,
    placed.reference_at as thrown_at,
    placed.arm,
    placed.release_speed_mph,
    placed.is_warm_up,
    placed.is_warm_up
    and placed.sighting_id not in (select sighting_id from again)
    and placed.sighting_id not in (select sighting_id from sightings) as counts,
    placed.why
from placed
