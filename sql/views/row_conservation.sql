-- Where did every row of every export go?
-- One row is one export. rows_unexplained is always 0: otherwise the run publishes nothing.
-- tracker: the tracker
-- file_name: path below the inbox
-- status: read, repeat (the same bytes as another file) or quarantined (could not be read)
-- baseball_day: latest baseball day of a sighting in it
-- rows_read [rows]: rows read
-- sightings [rows]: rows that became sightings
-- repeats [rows]: rows that repeat a known sighting
-- no_pitch [rows]: rows that are not pitches
-- quarantined [rows]: rows that could not be used
-- rows_unexplained [rows]: rows_read minus all of these
-- reason: why it was not read, or what it repeats
select
    tracker,
    file_name,
    status,
    baseball_day_last as baseball_day,
    "rows" as rows_read,
    sightings,
    repeats,
    no_pitch,
    quarantined,
    "rows"::bigint - sightings - repeats - no_pitch - quarantined as rows_unexplained,
    reason
from files
