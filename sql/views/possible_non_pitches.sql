-- Which pitches may be warm-up throws or throws back to the mound, so that a person should decide?
-- One row is one pitch and one reason. To decide, add a no_pitch line for its sighting to decisions.csv; "warm-up" as its reason makes
-- it a warm-up throw.
-- pitch_id: the pitch (table pitches)
-- baseball_day: local date at the venue; the day changes at 4 am
-- arm: the pitcher's player id; "label: ..." if the name is unresolved; "not named" if no tracker names the pitcher
-- trackers: the trackers that saw it
-- reason: marked (a tracker calls the throw of this moment no pitch); slow (much slower than the arm's pitches, and seen by one tracker alone or the first of an outing), hurried (one tracker alone saw it, less than 10 s after the pitch before, and others were at work)
-- release_speed_mph [mph]: speed at release
-- sighting_id: its sighting to name in decisions.csv: that of its best-ranked tracker
-- record_id: the record of the tracker that calls it no pitch (view non_pitches); null for other reasons
with records as materialized (
    select
        sighting_id,
        tracker,
        baseball_day,
        venue,
        station,
        thrown_at
    from non_pitches
),

marked as (
    select
        pitches.pitch_id,
        min(records.sighting_id order by records.sighting_id) as record_id
    from records
    inner join pitches
        on
            pitches.baseball_day = records.baseball_day and pitches.venue = records.venue and pitches.station = records.station
            and not list_contains(string_split(pitches.trackers, ','), records.tracker)
            -- as in view non_pitches
            and abs(epoch(pitches.thrown_at) - epoch(records.thrown_at)) <= 5
    group by pitches.pitch_id
    union all
    -- one export has the row as a pitch, another as no pitch
    select
        sightings.pitch_id,
        min(records.sighting_id)
    from records
    inner join sightings on sightings.sighting_id = records.sighting_id
    group by sightings.pitch_id
),

usual as (
    select
        arm,
        quantile_cont(release_speed_mph, 0.9) as fast_mph,
        -- of few pitches, the slowest says little (common practice, no source)
        case
            when count(release_speed_mph) filter (where seen_by > 1) >= 10 then min(release_speed_mph) filter (where seen_by > 1)
        end as slowest_mph
    from pitch_log
    group by arm
),

usual_by_type as (
    select
        arm,
        pitch_type,
        median(release_speed_mph) as median_mph
    from pitch_log
    where pitch_type <> 'unknown'
    group by arm, pitch_type
    -- ten pitches give a median good to 1 mph (common practice, no source)
    having count(release_speed_mph) >= 10
),

in_order as (
    select
        pitch_log.pitch_id,
        pitch_log.baseball_day,
        pitch_log.arm,
        pitch_log.outing_id,
        pitch_log.pitch_number,
        pitch_log.seen_by,
        pitch_log.pitch_type,
        pitch_log.release_speed_mph,
        usual_by_type.median_mph,
        usual.slowest_mph,
        -- warm-up throws have at most nine tenths of the usual speed (common practice, no source)
        pitch_log.release_speed_mph < 0.9 * usual.fast_mph as is_slow,
        row_number() over outing = 1 as is_first,
        -- pitchers take at least 10 s from pitch to pitch (from memory)
        epoch(pitch_log.thrown_at) - lag(epoch(pitch_log.thrown_at)) over session < 10
        and 1 < greatest(lag(pitch_log.seen_by) over session, lead(pitch_log.seen_by) over session) as is_hurried,
        -- a break of 90 s: a new inning, or another pitcher between (common practice, no source)
        coalesce(epoch(pitch_log.thrown_at) - lag(epoch(pitch_log.thrown_at)) over outing > 90, true) as after_break,
        2 * count(*) filter (where pitch_log.seen_by > 1) over (partition by pitch_log.baseball_day, pitch_log.outing_id) >= count(*) over (partition by pitch_log.baseball_day, pitch_log.outing_id) as is_shared
    from pitch_log
    inner join usual on usual.arm = pitch_log.arm
    left join usual_by_type on usual_by_type.arm = pitch_log.arm and usual_by_type.pitch_type = pitch_log.pitch_type
    where pitch_log.outing_id is not null
    window
        outing as (partition by pitch_log.baseball_day, pitch_log.outing_id order by pitch_log.pitch_number),
        session as (partition by pitch_log.baseball_day, pitch_log.session_id order by pitch_log.pitch_number)
),

in_spells as (
    select
        *,
        sum(after_break::integer) over (partition by baseball_day, outing_id order by pitch_number) as spell
    from in_order
),

opening as (
    select
        *,
        count(*) filter (where not is_slow) over (partition by baseball_day, outing_id, spell order by pitch_number) = 0 as is_opening
    from in_spells
),

slow as (
    select pitch_id
    from opening
    where
        is_slow
        and case
            when seen_by > 1 then is_first and release_speed_mph < 0.85 * median_mph
            when median_mph is not null then release_speed_mph < 0.9 * median_mph and (is_opening or coalesce(release_speed_mph < slowest_mph, true))
            -- without a usual speed of its pitch type, it may be a breaking ball
            when pitch_type = 'unknown' then is_opening and (is_shared or release_speed_mph < slowest_mph)
            else is_shared and (is_opening or release_speed_mph < slowest_mph)
        end
),

hurried as (
    select in_order.pitch_id
    from in_order
    inner join sightings on sightings.pitch_id = in_order.pitch_id and sightings.clock_resolution_s <= 2
    where in_order.seen_by = 1 and in_order.is_hurried
),

reasons as (
    select pitch_id, 'marked' as reason, min(record_id) as record_id from marked group by pitch_id
    union all
    select pitch_id, 'slow' as reason, null as record_id from slow
    union all
    select pitch_id, 'hurried' as reason, null as record_id from hurried
)

select
    pitch_log.pitch_id,
    pitch_log.baseball_day,
    pitch_log.arm,
    pitch_log.trackers,
    reasons.reason,
    pitch_log.release_speed_mph,
    's' || substr(pitch_log.pitch_id, 2) as sighting_id,
    reasons.record_id
from reasons
inner join pitch_log on pitch_log.pitch_id = reasons.pitch_id
