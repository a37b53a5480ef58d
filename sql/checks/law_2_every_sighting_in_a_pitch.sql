-- Every sighting is in a pitch, every pitch has a sighting, and seen_by counts its trackers.
-- Checked per night.
with seen as (
    select pitch_id, count(distinct tracker) as trackers from sightings group by pitch_id
)

select coalesce(pitches.pitch_id, seen.pitch_id) as pitch_id, pitches.seen_by, seen.trackers
from pitches
full join seen on seen.pitch_id = pitches.pitch_id
where pitches.seen_by is distinct from seen.trackers
