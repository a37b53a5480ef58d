-- How did the speed of each pitch type change through an outing, inning by inning?
-- One row is one pitch type in one inning of one outing.
-- Pitch types are separate, so that a change of mix does not look like a loss of speed; same_trackers shows a change of tracker.
-- The cause of a real loss is for athletic trainers and physicians to find.
-- baseball_day: local date at the venue; the day changes at 4 am
-- outing_id: the outing (table outings)
-- arm: the player's id; "label: ..." if the name is unresolved
-- pitcher_name: the player's name; the tracker's label if the name is unresolved
-- pitch_type: pitch type
-- inning [innings]: inning
-- pitches [pitches]: pitches with a release speed
-- mean_mph [mph]: mean release speed
-- sd_mph [mph]: standard deviation from pitch to pitch; null for one pitch
-- fastest_mph [mph]: fastest
-- trackers: the trackers that the readings come from
-- first_inning [innings]: the first inning of the outing with this pitch type
-- first_pitches [pitches]: pitches of that inning
-- change_mph [mph]: mean_mph minus that of the first inning
-- change_standard_error_mph [mph]: standard error of the change from the pitch-to-pitch spread alone; null in the first inning, or if either inning has one pitch
-- same_trackers: whether the same trackers read both innings; if not, the change may come from the trackers
with inning_speeds as (
    select
        pitch_log.baseball_day,
        pitch_log.outing_id,
        pitch_log.arm,
        any_value(pitch_log.pitcher_name order by pitch_log.pitch_id) as pitcher_name,
        pitch_log.pitch_type,
        pitch_log.inning,
        count(*) as pitches,
        avg(speeds.value) as mean_mph,
        stddev_samp(speeds.value) as sd_mph,
        max(speeds.value) as fastest_mph,
        string_agg(distinct speeds.trackers, ' | ' order by speeds.trackers) as trackers
    from pitch_log
    inner join pitch_values as speeds on speeds.pitch_id = pitch_log.pitch_id
    where
        speeds.metric = 'release_speed_mph' and speeds.value is not null
        and pitch_log.outing_id is not null and pitch_log.inning is not null
    group by pitch_log.baseball_day, pitch_log.outing_id, pitch_log.arm, pitch_log.pitch_type, pitch_log.inning
),

with_first as (
    select
        *,
        first_value(inning) over through as first_inning,
        first_value(pitches) over through as first_pitches,
        first_value(mean_mph) over through as first_mean_mph,
        first_value(sd_mph) over through as first_sd_mph,
        first_value(trackers) over through as first_trackers
    from inning_speeds
    window through as (partition by outing_id, arm, pitch_type order by inning)
)

select
    baseball_day,
    outing_id,
    arm,
    pitcher_name,
    pitch_type,
    inning,
    pitches,
    mean_mph,
    sd_mph,
    fastest_mph,
    trackers,
    first_inning,
    first_pitches,
    mean_mph - first_mean_mph as change_mph,
    case
        when inning > first_inning then sqrt(sd_mph ** 2 / pitches + first_sd_mph ** 2 / first_pitches)
    end as change_standard_error_mph,
    trackers = first_trackers as same_trackers
from with_first
