-- How hard was each pitch type thrown in each outing, compared with the outing before?
-- One row is one pitch type in one outing.
-- A change can come from the tracker: compare trackers with previous_trackers, and check table drift, before blaming the arm. The cause of
-- a real loss is for athletic trainers and physicians to find.
-- baseball_day: local date at the venue; the day changes at 4 am
-- outing_id: the outing (table outings)
-- occasion: game, scrimmage, bullpen or live_bp
-- arm: the player's id; "label: ..." if the name is unresolved
-- pitcher_name: the player's name; the tracker's label if the name is unresolved
-- pitch_type: pitch type
-- pitches [pitches]: pitches with a release speed
-- mean_mph [mph]: mean release speed
-- sd_mph [mph]: standard deviation from pitch to pitch; null for one pitch
-- fastest_mph [mph]: fastest
-- slowest_mph [mph]: slowest
-- trackers: the trackers that the readings come from
-- previous_day: baseball day of the arm's previous outing with this pitch type
-- previous_pitches [pitches]: pitches of that outing
-- previous_trackers: the trackers that those readings come from
-- change_mph [mph]: mean_mph minus that outing's
-- change_standard_error_mph [mph]: standard error of the change from the pitch-to-pitch spread alone; it leaves out a tracker's bias
with outing_speeds as (
    select
        pitch_log.baseball_day,
        pitch_log.session_id,
        pitch_log.outing_id,
        any_value(pitch_log.occasion) as occasion,
        pitch_log.arm,
        any_value(pitch_log.pitcher_name order by pitch_log.pitch_id) as pitcher_name,
        pitch_log.pitch_type,
        min(pitch_log.thrown_at) as began_at,
        count(*) as pitches,
        avg(speeds.value) as mean_mph,
        stddev_samp(speeds.value) as sd_mph,
        max(speeds.value) as fastest_mph,
        min(speeds.value) as slowest_mph,
        string_agg(distinct speeds.trackers, ' | ' order by speeds.trackers) as trackers
    from pitch_log
    inner join pitch_values as speeds on speeds.pitch_id = pitch_log.pitch_id
    where speeds.metric = 'release_speed_mph' and speeds.value is not null and pitch_log.outing_id is not null
    group by pitch_log.baseball_day, pitch_log.session_id, pitch_log.outing_id, pitch_log.arm, pitch_log.pitch_type
),

with_previous as (
    select
        *,
        lag(baseball_day) over earlier as previous_day,
        lag(pitches) over earlier as previous_pitches,
        lag(trackers) over earlier as previous_trackers,
        lag(mean_mph) over earlier as previous_mean_mph,
        lag(sd_mph) over earlier as previous_sd_mph
    from outing_speeds
    window earlier as (partition by arm, pitch_type order by baseball_day, began_at, session_id)
)

select
    baseball_day,
    outing_id,
    occasion,
    arm,
    pitcher_name,
    pitch_type,
    pitches,
    mean_mph,
    sd_mph,
    fastest_mph,
    slowest_mph,
    trackers,
    previous_day,
    previous_pitches,
    previous_trackers,
    mean_mph - previous_mean_mph as change_mph,
    sqrt(sd_mph ** 2 / pitches + previous_sd_mph ** 2 / previous_pitches) as change_standard_error_mph
from with_previous
