-- How hard is each pitcher hit, with each pitch type?
-- One row is one pitch type of one arm in one season. Foul balls are left out where the result of the pitch is known.
-- season [year]: calendar year
-- arm: the player's id; "label: ..." if the name is unresolved
-- pitcher_name: the player's name; the tracker's label if the name is unresolved
-- pitch_type: pitch type
-- batted_balls [batted balls]: batted balls with an exit velocity
-- hard_hit [batted balls]: 95 mph or more (common practice)
-- hard_hit_share [ratio]: hard_hit divided by batted_balls
-- mean_exit_velocity_mph [mph]: mean exit velocity
-- highest_exit_velocity_mph [mph]: highest exit velocity
-- mean_launch_angle_deg [deg]: mean vertical angle off the bat
select
    year(baseball_day)::integer as season,
    arm,
    any_value(pitcher_name order by pitch_id) as pitcher_name,
    pitch_type,
    count(*) as batted_balls,
    count(*) filter (where hard_hit) as hard_hit,
    count(*) filter (where hard_hit) / count(*) as hard_hit_share,
    avg(exit_velocity_mph) as mean_exit_velocity_mph,
    max(exit_velocity_mph) as highest_exit_velocity_mph,
    avg(launch_angle_deg) as mean_launch_angle_deg
from batted_balls
where coalesce(in_play, true)
group by year(baseball_day), arm, pitch_type
