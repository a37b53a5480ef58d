-- For which pitches do trackers name different pitch types or different pitchers?
-- One row is one pitch with such a conflict.
-- pitch_id: the pitch (table pitches)
-- baseball_day: local date at the venue; the day changes at 4 am
-- session_id: the session (table sessions)
-- pitch_number [pitches]: place in the session
-- pitch_type: the preferred pitch type
-- pitch_type_by: who named it: operator or tracker
-- label_conflict: whether the pitch types differ
-- pitcher_conflict: whether the pitchers differ
-- pitch_types: each tracker's pitch type, as "tracker: pitch type (operator or tracker)"
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
