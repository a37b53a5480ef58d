-- A pitch holds at most one sighting of each tracker.
-- A night keeps it by itself.
select pitch_id, tracker, count(*) as sightings
from sightings
group by pitch_id, tracker
having count(*) > 1
