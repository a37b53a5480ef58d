-- What did each tracker deliver on each night, and is every row accounted for?
-- One row is one tracker and one baseball day. An export counts for the day of its last sighting; null for exports without sightings.
-- baseball_day: local date at the venue; the day changes at 4 am
-- tracker: the tracker
-- files [files]: exports
-- files_not_read [files]: exports that could not be read
-- rows_read [rows]: rows read
-- sightings [rows]: rows that became sightings
-- repeats [rows]: rows that repeat a known sighting
-- no_pitch [rows]: rows that are not pitches
-- quarantined [rows]: rows that could not be used
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
