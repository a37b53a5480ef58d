-- Which sightings may or may not be one pitch, and should be looked at by a person?
-- One row is one pair of sightings of which a doubtful pitch is one side, and of which no person has decided yet.
-- baseball_day: local date at the venue; a day turns over at 04:00
-- venue: the ball park or practice ground
-- station: the mound
-- probability [ratio]: probability that both are one pitch
-- merged: whether they stand as one pitch now
-- sighting_a: sighting of the tracker of better rank
-- sighting_b: sighting of the other tracker
-- pitch_id_a: the pitch that sighting_a stands in
-- pitch_id_b: the pitch that sighting_b stands in
-- tracker_a: tracker of sighting_a
-- tracker_b: tracker of sighting_b
-- thrown_at_a [UTC]: time of sighting_a by its own clock
-- thrown_at_b [UTC]: time of sighting_b by its own clock
-- time_gap_s [s]: time of b minus time of a after clock correction
-- pitcher_a: the pitcher as tracker_a names him
-- pitcher_b: the pitcher as tracker_b names him
-- release_speed_a_mph [mph]: speed at release by tracker_a
-- release_speed_b_mph [mph]: speed at release by tracker_b
-- what: the readings that spoke loudest, with their share in nats
select
    pairs.baseball_day,
    pairs.venue,
    pairs.station,
    pairs.probability,
    pairs.merged,
    pairs.sighting_a,
    pairs.sighting_b,
    a.pitch_id as pitch_id_a,
    b.pitch_id as pitch_id_b,
    pairs.tracker_a,
    pairs.tracker_b,
    a.thrown_at as thrown_at_a,
    b.thrown_at as thrown_at_b,
    pairs.time_gap_s,
    a.pitcher_label as pitcher_a,
    b.pitcher_label as pitcher_b,
    a.release_speed_mph as release_speed_a_mph,
    b.release_speed_mph as release_speed_b_mph,
    pairs.what
from match_pairs as pairs
inner join sightings as a on a.sighting_id = pairs.sighting_a
inner join sightings as b on b.sighting_id = pairs.sighting_b
inner join pitches as pitch_a on pitch_a.pitch_id = a.pitch_id
inner join pitches as pitch_b on pitch_b.pitch_id = b.pitch_id
where pairs.decided_by <> 'person' and (pitch_a.doubtful or pitch_b.doubtful)
