-- Of which pitches do trackers name different pitch type or different pitchers?
-- One row is one pitch with such a conflict.
-- pitch_id: the pitch (table pitches)
-- baseball_day: local date at the venue; a day turns over at 04:00
-- session_id: the session (table sessions)
-- pitch_number [pitches]: place in the session
-- pitch_type: the kind that was preferred
-- pitch_type_by: who named it: operator or tracker
-- label_conflict: different pitch type
-- pitcher_conflict: different pitchers
-- pitch_types: each tracker's word, as "tracker: kind (by)"
-- pitchers: each tracker's pitcher, as "tracker: label"
-- release_speed_mph [mph]: speed at release
select
    pitches.pitch_id,
    pitches.baseball_day,
    pitches.session_id,
    pitches.pitch_number,
    pitches.pitch_type,
    pitches.pitch_type_by,
    pitches.label_conflict,
    pitches.pitcher_conflict,
    string_agg(
        sightings.tracker || ': ' || sightings.pitch_type || coalesce(' (' || sightings.pitch_type_by || ')', ''), '; '
        order by sightings.tracker
    ) as pitch_types,
    string_agg(sightings.tracker || ': ' || sightings.pitcher_label, '; ' order by sightings.tracker) as pitchers,
    pitches.release_speed_mph
from pitches
inner join sightings on sightings.pitch_id = pitches.pitch_id
where pitches.label_conflict or pitches.pitcher_conflict
group by
    pitches.pitch_id, pitches.baseball_day, pitches.session_id, pitches.pitch_number, pitches.pitch_type, pitches.pitch_type_by,
    pitches.label_conflict, pitches.pitcher_conflict, pitches.release_speed_mph
