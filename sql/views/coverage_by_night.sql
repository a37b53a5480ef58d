-- Is the night complete: how many pitches did each station have, and how many trackers saw them?
-- One row is one session.
-- baseball_day: local date at the venue; the day changes at 4 am
-- venue: the ballpark or practice field
-- station: the mound
-- occasion: game, scrimmage, bullpen or live_bp
-- session_id: the session (table sessions)
-- trackers: the trackers that saw it
-- pitches [pitches]: pitches
-- seen_by_1 [pitches]: pitches that one tracker saw
-- seen_by_2 [pitches]: pitches that two trackers saw
-- seen_by_3_or_more [pitches]: pitches that three or more trackers saw
-- doubtful [pitches]: pitches whose match is doubtful
-- name_unresolved [pitches]: pitches whose pitcher is unresolved
-- label_conflicts [pitches]: pitches for which trackers name different pitch types
select
    sessions.baseball_day,
    sessions.venue,
    sessions.station,
    sessions.occasion,
    sessions.session_id,
    sessions.trackers,
    count(*) as pitches,
    count(*) filter (where pitches.seen_by = 1) as seen_by_1,
    count(*) filter (where pitches.seen_by = 2) as seen_by_2,
    count(*) filter (where pitches.seen_by >= 3) as seen_by_3_or_more,
    count(*) filter (where pitches.doubtful) as doubtful,
    count(*) filter (where pitches.pitcher_id is null) as name_unresolved,
    count(*) filter (where pitches.label_conflict) as label_conflicts
from sessions
inner join pitches on pitches.session_id = sessions.session_id
group by
    sessions.baseball_day, sessions.venue, sessions.station, sessions.occasion, sessions.session_id, sessions.trackers
