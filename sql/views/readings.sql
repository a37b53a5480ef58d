-- What did each tracker read? The long form of sightings: one value to a row.
-- One row is one reading: the value of one metric in one sighting. This file is made from schemas/metrics.py by `python -m schemas.dictionary`.
-- sighting_id: the sighting (table sightings)
-- pitch_id: the pitch (table pitches)
-- baseball_day: local date at the venue; the day changes at 4 am
-- tracker: the tracker
-- metric: the metric (view metrics)
-- value [the metric's unit]: the reading
select
    sighting_id,
    pitch_id,
    baseball_day,
    tracker,
    metric,
    value
from (
    unpivot (select sighting_id, pitch_id, baseball_day, tracker, release_speed_mph, plate_speed_mph, spin_rate_rpm, spin_efficiency, spin_axis_deg, induced_vertical_break_in, horizontal_break_in, release_height_ft, release_side_ft, extension_ft, plate_height_ft, plate_side_ft, vertical_approach_deg, horizontal_approach_deg, flight_time_s, exit_velocity_mph, launch_angle_deg, spray_angle_deg, carry_distance_ft from sightings)
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
    into name metric value value
)
