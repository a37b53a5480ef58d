-- Sessions and outings count the pitches that they have, and every pitch is in a session.
-- A night keeps it by itself.
with of_session as (
    select session_id as id, count(*) as pitches from pitches group by session_id
),

of_outing as (
    select outing_id as id, count(*) as pitches from pitches where outing_id is not null group by outing_id
)

select coalesce(sessions.session_id, of_session.id) as id, sessions.pitches as counted, of_session.pitches as there
from sessions
full join of_session on of_session.id = sessions.session_id
where sessions.pitches is distinct from of_session.pitches
union all
select coalesce(outings.outing_id, of_outing.id) as id, outings.pitches as counted, of_outing.pitches as there
from outings
full join of_outing on of_outing.id = outings.outing_id
where outings.pitches is distinct from of_outing.pitches
