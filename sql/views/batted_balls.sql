-- Which balls were hit, how hard, and in which direction?
-- One row is one batted ball: a pitch with an exit velocity.
-- pitch_id: the pitch (table pitches)
-- baseball_day: local date at the venue; the day changes at 4 am
-- arm: the pitcher's id; "label: ..." if the name is unresolved
-- pitcher_name: the pitcher's name; the tracker's label if the name is unresolved
-- batter_id: the batter (table players)
-- pitch_type: pitch type
-- exit_velocity_mph [mph]: exit velocity
-- launch_angle_deg [deg]: vertical angle off the bat, positive up
-- spray_angle_deg [deg]: direction, 0 toward second base, positive toward first base
-- carry_distance_ft [ft]: distance in the air
-- hard_hit: whether the exit velocity is 95 mph or more (common practice)
-- in_play: whether the ball was put in play; null if no tracker gives the result
-- plate_appearance_result: result of the plate appearance
-- trackers: the trackers that the exit velocity comes from
select
    pitches.pitch_id,
    pitches.baseball_day,
    pitch_log.arm,
    pitch_log.pitcher_name,
    pitches.batter_id,
    pitch_log.pitch_type,
    pitches.exit_velocity_mph,
    pitches.launch_angle_deg,
    pitches.spray_angle_deg,
    pitches.carry_distance_ft,
    pitches.exit_velocity_mph >= 95 as hard_hit,
    case when pitches.pitch_result <> 'unknown' then pitches.pitch_result = 'in_play' end as in_play,
    pitches.plate_appearance_result,
    speeds.trackers
from pitches
inner join pitch_log on pitch_log.pitch_id = pitches.pitch_id
left join pitch_values as speeds on speeds.pitch_id = pitches.pitch_id and speeds.metric = 'exit_velocity_mph'
where pitches.exit_velocity_mph is not null
