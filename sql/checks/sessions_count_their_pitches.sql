-- Sessions and outings count their pitches, and every pitch is in a session.
-- Checked per night.
with session_pitches as (
    select session_id as id, count(*) as pitches from pitches group by session_id
),

outing_pitches as (
    select outing_id as id, count(*) as pitches from pitches where outing_id is not null group by outing_id
)

select coalesce(sessions.session_id, session_pitches.id) as id, sessions.pitches as counted, session_pitches.pitches as found
from sessions
full join session_pitches on session_pitches.id = sessions.session_id
where sessions.pitches is distinct from session_pitches.pitches
union all
select coalesce(outings.outing_id, outing_pitches.id) as id, outings.pitches as counted, outing_pitches.pitches as found
from outings
full join outing_pitches on outing_pitches.id = outings.outing_id
where outings.pitches is distinct from outing_pitches.pitches
