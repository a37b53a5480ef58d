-- Which balls were hit, how hard and where to?
-- One row is one batted ball: a pitch with a exit velocity.
-- pitch_id: the pitch (table pitches)
-- baseball_day: local date at the venue; a day turns over at 04:00
-- arm: the pitcher: his id; "label: ..." while the name is not settled
-- pitcher_name: the pitcher's name, or the tracker's label
-- batter_id: the batter (table players)
-- pitch_type: pitch type
-- exit_velocity_mph [mph]: exit velocity
-- launch_angle_deg [deg]: vertical angle off the bat, positive up
-- spray_angle_deg [deg]: direction, 0 toward second base, positive toward first base
-- carry_distance_ft [ft]: distance in the air
-- hard_hit: 95 mph or more off the bat (common practice)
-- in_play: whether the ball was put in play; null where no tracker says what became of the pitch
-- plate_appearance_result: what became of it
-- trackers: whose exit velocity this is
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
