-- Every id that a pitch could have had is a current pitch, or leads to one.
-- Checked per night.
with ids as (
    select 'p' || substr(sighting_id, 2) as pitch_id from sightings
    union
    select pitch_id from sightings
)

select ids.pitch_id, 'leads nowhere' as fault
from ids
where ids.pitch_id not in (select pitch_id from pitches) and ids.pitch_id not in (select old_pitch_id from pitch_aliases)
union all
select old_pitch_id, 'leads to ' || pitch_id || ', which is not a pitch' as fault
from pitch_aliases
where pitch_id is not null and pitch_id not in (select pitch_id from pitches)
union all
select old_pitch_id, 'is a pitch itself' as fault
from pitch_aliases
where old_pitch_id in (select pitch_id from pitches)
