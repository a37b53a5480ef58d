-- Each metric of a pitch is the value that pitch_values traces to its trackers.
-- A night keeps it by itself.
-- This file is made from schemas/metrics.py by `python -m schemas.dictionary`.
with preferred as (
    unpivot (select pitch_id, release_speed_mph, plate_speed_mph, spin_rate_rpm, spin_efficiency, spin_axis_deg, induced_vertical_break_in, horizontal_break_in, release_height_ft, release_side_ft, extension_ft, plate_height_ft, plate_side_ft, vertical_approach_deg, horizontal_approach_deg, flight_time_s, exit_velocity_mph, launch_angle_deg, spray_angle_deg, carry_distance_ft from pitches)
    on
        release_speed_mph,
        plate_speed_mph,
        spin_rate_rpm,
        spin_efficiency,
        spin_axis_deg,
        induced_vertical_break_in,
        horizontal_break_in,
        release_height_ft,
        release_side_ft,
        extension_ft,
        plate_height_ft,
        plate_side_ft,
        vertical_approach_deg,
        horizontal_approach_deg,
        flight_time_s,
        exit_velocity_mph,
        launch_angle_deg,
        spray_angle_deg,
        carry_distance_ft
    into name metric value on_the_pitch
),

traced as (
    select pitch_id, metric, value from pitch_values where value is not null
)

select
    coalesce(preferred.pitch_id, traced.pitch_id) as pitch_id,
    coalesce(preferred.metric, traced.metric) as metric,
    preferred.on_the_pitch,
    traced.value as traced
from preferred
full join traced on traced.pitch_id = preferred.pitch_id and traced.metric = preferred.metric
where preferred.on_the_pitch is distinct from traced.value
