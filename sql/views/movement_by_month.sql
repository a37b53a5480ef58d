-- How does each pitch type of each pitcher move and spin, month by month?
-- One row is one pitch type of one arm in one month.
-- The spin axis is averaged on the circle (the direction of the mean of unit vectors: 350 and 10 give 0, not 180).
-- season [year]: calendar year
-- month [month]: month
-- arm: the player's id; "label: ..." if the name is unresolved
-- pitcher_name: the player's name; the tracker's label if the name is unresolved
-- pitch_type: pitch type
-- pitches [pitches]: pitches
-- release_speed_mph [mph]: mean release speed
-- spin_rate_rpm [rpm]: mean total spin
-- spin_efficiency [ratio]: mean active spin as a share of total spin
-- movement_pitches [pitches]: pitches with both breaks measured
-- induced_vertical_break_in [in]: mean vertical break, gravity out, positive up
-- induced_vertical_break_sd_in [in]: its standard deviation from pitch to pitch
-- horizontal_break_in [in]: mean horizontal break, positive to the catcher's right
-- horizontal_break_sd_in [in]: its standard deviation from pitch to pitch
-- axis_pitches [pitches]: pitches with a spin axis
-- spin_axis_deg [deg]: circular mean of the spin axis, from 0 to below 360; null if the axes cancel out
-- spin_axis_concentration [ratio]: length of the mean of unit vectors: 1 if all are equal, 0 if there is no direction
-- spin_axis_sd_deg [deg]: circular standard deviation: sqrt(-2 ln concentration)
-- movement_trackers: the trackers that the vertical breaks come from
with month_means as (
    select
        pitches.season,
        pitches.month,
        pitch_log.arm,
        any_value(pitch_log.pitcher_name order by pitches.pitch_id) as pitcher_name,
        pitch_log.pitch_type,
        count(*) as pitches,
        avg(pitches.release_speed_mph) as release_speed_mph,
        avg(pitches.spin_rate_rpm) as spin_rate_rpm,
        avg(pitches.spin_efficiency) as spin_efficiency,
        count(pitches.induced_vertical_break_in + pitches.horizontal_break_in) as movement_pitches,
        avg(pitches.induced_vertical_break_in) as induced_vertical_break_in,
        stddev_samp(pitches.induced_vertical_break_in) as induced_vertical_break_sd_in,
        avg(pitches.horizontal_break_in) as horizontal_break_in,
        stddev_samp(pitches.horizontal_break_in) as horizontal_break_sd_in,
        count(pitches.spin_axis_deg) as axis_pitches,
        avg(sin(radians(pitches.spin_axis_deg))) as mean_sin,
        avg(cos(radians(pitches.spin_axis_deg))) as mean_cos,
        string_agg(distinct breaks.trackers, ' | ' order by breaks.trackers) as movement_trackers
    from pitches
    inner join pitch_log on pitch_log.pitch_id = pitches.pitch_id
    left join pitch_values as breaks
        on breaks.pitch_id = pitches.pitch_id and breaks.metric = 'induced_vertical_break_in' and breaks.value is not null
    group by pitches.season, pitches.month, pitch_log.arm, pitch_log.pitch_type
),

with_concentration as (
    select
        *,
        -- at most 1, against rounding; null stays null (least(null, 1) is 1)
        case when axis_pitches > 0 then least(sqrt(mean_sin ** 2 + mean_cos ** 2), 1) end as spin_axis_concentration
    from month_means
)

select
    season,
    month,
    arm,
    pitcher_name,
    pitch_type,
    pitches,
    release_speed_mph,
    spin_rate_rpm,
    spin_efficiency,
    movement_pitches,
    induced_vertical_break_in,
    induced_vertical_break_sd_in,
    horizontal_break_in,
    horizontal_break_sd_in,
    axis_pitches,
    case
        -- rounded: an angle just under a whole turn is 0, not 360
        when spin_axis_concentration > 1e-6 then (round(degrees(atan2(mean_sin, mean_cos)), 9) + 360) % 360
    end as spin_axis_deg,
    spin_axis_concentration,
    case when spin_axis_concentration > 1e-6 then degrees(sqrt(abs(2 * ln(spin_axis_concentration)))) end as spin_axis_sd_deg,
    movement_trackers
from with_concentration
