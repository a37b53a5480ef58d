-- Which metrics are there, in which unit, and how far may two trackers differ?
-- One row is one metric. This file is made from schemas/metrics.py by `python -m schemas.dictionary`.
-- metric: the metric: a column of sightings and pitches
-- words: the metric in words
-- unit: unit of its values
-- definition: what it means
-- lowest [the metric's unit]: a reading below this is impossible and becomes null, unless ledger.toml says otherwise
-- highest [the metric's unit]: a reading above this is impossible and becomes null, unless ledger.toml says otherwise
-- tolerance [the metric's unit]: two readings farther apart than this disagree, unless ledger.toml says otherwise
-- decimals [digits]: sensible digits after the decimal point: to a tenth of the tolerance
-- is_angle: whether the values go around a circle
select
    metric,
    words,
    unit,
    definition,
    lowest,
    highest,
    tolerance,
    decimals,
    is_angle
from (
    values
    ('release_speed_mph', 'release speed', 'mph', '3-D speed of the ball at release', 30.0::double, 110.0::double, 1.0::double, 1, false),
    ('plate_speed_mph', 'plate speed', 'mph', '3-D speed of the ball at the front edge of the plate', 25.0::double, 105.0::double, 1.0::double, 1, false),
    ('spin_rate_rpm', 'spin rate', 'rpm', 'total spin rate', 100.0::double, 4500.0::double, 100.0::double, 0, false),
    ('spin_efficiency', 'spin efficiency', 'ratio', 'active spin divided by total spin, 0 to 1', 0.0::double, 1.0::double, 0.1::double, 2, false),
    ('spin_axis_deg', 'spin axis', 'deg', 'direction in which the active spin pushes the ball: 180 is up (pure backspin), 90 is to the catcher''s right, 0 is down, 270 is to the catcher''s left; an axis of a pushes toward (x, z) = (sin a, -cos a)', 0.0::double, 360.0::double, 20.0::double, 0, true),
    ('induced_vertical_break_in', 'induced vertical break', 'in', 'vertical break from release to the front edge of the plate, without gravity''s drop, same-plane definition; positive up', -40.0::double, 40.0::double, 2.0::double, 1, false),
    ('horizontal_break_in', 'horizontal break', 'in', 'horizontal break from release to the front edge of the plate, same-plane definition; positive to the catcher''s right', -40.0::double, 40.0::double, 2.0::double, 1, false),
    ('release_height_ft', 'release height', 'ft', 'height of the release point above the ground at the plate', 0.0::double, 9.0::double, 0.25::double, 2, false),
    ('release_side_ft', 'release side', 'ft', 'sideways distance of the release point from the plate''s center line; positive to the catcher''s right', -6.0::double, 6.0::double, 0.25::double, 2, false),
    ('extension_ft', 'extension', 'ft', 'distance of the release point in front of the rubber''s front edge', 2.0::double, 9.0::double, 0.4::double, 2, false),
    ('plate_height_ft', 'plate height', 'ft', 'height of the ball above the ground at the front edge of the plate', -6.0::double, 14.0::double, 0.25::double, 2, false),
    ('plate_side_ft', 'plate side', 'ft', 'sideways distance of the ball from the plate''s center line at the front edge; positive to the catcher''s right', -10.0::double, 10.0::double, 0.25::double, 2, false),
    ('vertical_approach_deg', 'vertical approach angle', 'deg', 'angle between the flight and the horizontal at the front edge of the plate; negative downward', -25.0::double, 10.0::double, 0.5::double, 2, false),
    ('horizontal_approach_deg', 'horizontal approach angle', 'deg', 'sideways angle of the flight at the front edge of the plate; positive when moving to the catcher''s right', -15.0::double, 15.0::double, 0.5::double, 2, false),
    ('flight_time_s', 'flight time', 's', 'time from release to the front edge of the plate', 0.3::double, 1.5::double, 0.01::double, 3, false),
    ('exit_velocity_mph', 'exit velocity', 'mph', 'speed of the batted ball as it leaves the bat', 5.0::double, 130.0::double, 2.0::double, 1, false),
    ('launch_angle_deg', 'launch angle', 'deg', 'vertical angle of the batted ball as it leaves the bat; positive up', -90.0::double, 90.0::double, 3.0::double, 1, false),
    ('spray_angle_deg', 'spray angle', 'deg', 'horizontal direction of the batted ball: 0 toward second base, positive toward first base', -180.0::double, 180.0::double, 4.0::double, 1, false),
    ('carry_distance_ft', 'carry distance', 'ft', 'distance the batted ball carries to where it lands', 0.0::double, 600.0::double, 15.0::double, 0, false)
) as listed (metric, words, unit, definition, lowest, highest, tolerance, decimals, is_angle)
