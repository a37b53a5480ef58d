-- What came from each tracker on each night, and is every row of it accounted for?
-- One row is one tracker and one baseball day: that of the last sighting of each export; null for exports without a sighting.
-- baseball_day: local date at the venue; a day turns over at 04:00
-- tracker: the tracker
-- files [files]: exports
-- files_not_read [files]: exports among them that could not be read
-- rows_read [rows]: rows read
-- sightings [rows]: became sightings
-- repeats [rows]: repeat a known sighting
-- no_pitch [rows]: are no pitch
-- quarantined [rows]: could not be taken
-- rows_unexplained [rows]: rows_read minus all of these: always 0
select
    baseball_day,
    tracker,
    count(*) as files,
    count(*) filter (where status = 'quarantined') as files_not_read,
    sum(rows_read)::bigint as rows_read,
    sum(sightings)::bigint as sightings,
    sum(repeats)::bigint as repeats,
    sum(no_pitch)::bigint as no_pitch,
    sum(quarantined)::bigint as quarantined,
    sum(rows_unexplained)::bigint as rows_unexplained
from row_conservation
group by baseball_day, tracker
