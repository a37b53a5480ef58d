-- Every sighting comes from an export of table files.
-- Checked per night.
select sightings.tracker, sightings.file_id, count(*) as sightings
from sightings
left join files on files.file_id = sightings.file_id and files.tracker = sightings.tracker
where files.file_id is null
group by sightings.tracker, sightings.file_id
