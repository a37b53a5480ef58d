-- Where does each pitcher let each pitch type go, and how far do his release points spread?
-- One row is one pitch type in one outing.
-- A shift of all pitchers at once is a tracker that was set up otherwise: see table setup, if there, before reading it as the pitcher's.
-- baseball_day: local date at the venue; a day turns over at 04:00
-- outing_id: the outing (table outings)
-- arm: the player's id; "label: ..." while the name is not settled
-- pitcher_name: the player's name, or the tracker's label
-- pitch_type: pitch type
-- pitches [pitches]: pitches with height and side of release
-- release_height_ft [ft]: mean height
-- release_height_sd_ft [ft]: its standard deviation
-- release_side_ft [ft]: mean side, positive to the catcher's right
-- release_side_sd_ft [ft]: its standard deviation
-- extension_ft [ft]: mean extension
-- extension_sd_ft [ft]: its standard deviation
-- spread_ft [ft]: spread of height and side together: the root of the sum of both variances; null for one pitch
-- trackers: whose readings the heights are
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
