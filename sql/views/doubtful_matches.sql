-- Which sightings may or may not be one pitch, so that a person should decide?
-- One row is one pair of sightings, at least one of them in a doubtful pitch, without a decision so far. Two sightings of one tracker
-- (tracker_a = tracker_b) are a pitch that it may have recorded twice: if merged, sighting_b is set aside.
-- baseball_day: local date at the venue; the day changes at 4 am
-- venue: the ballpark or practice field
-- station: the mound
-- probability [ratio]: probability that both are one pitch
-- merged: whether they are one pitch now
-- sighting_a: sighting of the tracker of better rank
-- sighting_b: sighting of the other tracker
-- pitch_id_a: the pitch of sighting_a
-- pitch_id_b: the pitch of sighting_b
-- tracker_a: tracker of sighting_a
-- tracker_b: tracker of sighting_b
-- thrown_at_a [UTC]: time of sighting_a by its own clock
-- thrown_at_b [UTC]: time of sighting_b by its own clock
-- time_gap_s [s]: time of b minus time of a, with clocks corrected
-- pitcher_a: the pitcher label of tracker_a
-- pitcher_b: the pitcher label of tracker_b
-- release_speed_a_mph [mph]: speed at release by tracker_a
-- release_speed_b_mph [mph]: speed at release by tracker_b
-- strongest_readings: the readings with the strongest evidence, each with its log-likelihood ratio
with seen as (
    select sighting_id, pitch_id, venue, station, thrown_at, pitcher_label, release_speed_mph from sightings
    union all by name
    select set_aside.sighting_id, a.pitch_id, a.venue, a.station, set_aside.thrown_at, set_aside.pitcher_label, set_aside.release_speed_mph
    from set_aside
    inner join sightings as a on a.sighting_id = set_aside.kept_sighting_id
    where set_aside.kind = 'double_trigger'
),

pairs as (
    select sighting_a, sighting_b, tracker_a, tracker_b, baseball_day, probability, merged, time_gap_s, strongest_readings
    from match_pairs
    where decided_by <> 'person'
    union all
    select kept_sighting_id, sighting_id, tracker, tracker, baseball_day, probability, set_aside, time_gap_s, null
    from double_triggers
)

select
    pairs.baseball_day,
    a.venue,
    a.station,
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
    pairs.strongest_readings
from pairs
inner join seen as a on a.sighting_id = pairs.sighting_a
inner join seen as b on b.sighting_id = pairs.sighting_b
inner join pitches as pitch_a on pitch_a.pitch_id = a.pitch_id
inner join pitches as pitch_b on pitch_b.pitch_id = b.pitch_id
where pitch_a.doubtful or pitch_b.doubtful
