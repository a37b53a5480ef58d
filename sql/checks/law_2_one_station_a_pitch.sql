-- The sightings of a pitch come from its own station.
-- Checked per night.
select sightings.pitch_id, sightings.sighting_id, sightings.station, pitches.station as station_of_pitch
from sightings
inner join pitches on pitches.pitch_id = sightings.pitch_id
where sightings.station is distinct from pitches.station or sightings.venue <> pitches.venue
