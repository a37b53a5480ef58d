-- Each metric of a pitch is the value that pitch_values traces to its trackers.
-- A night keeps it by itself.
with of_pitches as (
    unpivot (
        select
            pitch_id,
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
        from pitches
    )
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
    into name metric value reading
),

traced as (
    select pitch_id, metric, value from pitch_values where value is not null
)

select
    coalesce(of_pitches.pitch_id, traced.pitch_id) as pitch_id,
    coalesce(of_pitches.metric, traced.metric) as metric,
    of_pitches.reading as on_the_pitch,
    traced.value as traced
from of_pitches
full join traced on traced.pitch_id = of_pitches.pitch_id and traced.metric = of_pitches.metric
where of_pitches.reading is distinct from traced.value
