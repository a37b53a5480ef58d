-- Where does each pitcher release each pitch type, and how far do the release points spread?
-- One row is one pitch type in one outing.
-- If all pitchers shift at once, the tracker was moved: check table setup before blaming a pitcher.
-- baseball_day: local date at the venue; the day changes at 4 am
-- outing_id: the outing (table outings)
-- arm: the player's id; "label: ..." if the name is unresolved
-- pitcher_name: the player's name; the tracker's label if the name is unresolved
-- pitch_type: pitch type
-- pitches [pitches]: pitches with height and side of release
-- release_height_ft [ft]: mean height
-- release_height_sd_ft [ft]: its standard deviation
-- release_side_ft [ft]: mean side, positive to the catcher's right
-- release_side_sd_ft [ft]: its standard deviation
-- extension_ft [ft]: mean extension
-- extension_sd_ft [ft]: its standard deviation
-- spread_ft [ft]: spread of height and side together: square root of the sum of both variances; null for one pitch
-- trackers: the trackers that the heights come from
select
    pitch_log.baseball_day,
    pitch_log.outing_id,
    pitch_log.arm,
    any_value(pitch_log.pitcher_name order by pitch_log.pitch_id) as pitcher_name,
    pitch_log.pitch_type,
    count(*) as pitches,
    avg(pitches.release_height_ft) as release_height_ft,
    stddev_samp(pitches.release_height_ft) as release_height_sd_ft,
    avg(pitches.release_side_ft) as release_side_ft,
    stddev_samp(pitches.release_side_ft) as release_side_sd_ft,
    avg(pitches.extension_ft) as extension_ft,
    stddev_samp(pitches.extension_ft) as extension_sd_ft,
    sqrt(var_samp(pitches.release_height_ft) + var_samp(pitches.release_side_ft)) as spread_ft,
    string_agg(distinct heights.trackers, ' | ' order by heights.trackers) as trackers
from pitch_log
inner join pitches on pitches.pitch_id = pitch_log.pitch_id
inner join pitch_values as heights on heights.pitch_id = pitches.pitch_id and heights.metric = 'release_height_ft'
where pitch_log.outing_id is not null and pitches.release_height_ft is not null and pitches.release_side_ft is not null
group by pitch_log.baseball_day, pitch_log.outing_id, pitch_log.arm, pitch_log.pitch_type
