-- A pitch has at most one sighting of each tracker.
-- Checked per night.
select pitch_id, tracker, count(*) as sightings
from sightings
group by pitch_id, tracker
having count(*) > 1
