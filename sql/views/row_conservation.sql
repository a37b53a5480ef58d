-- Where did every row of every export go?
-- One row is one export. rows_unexplained is always 0: a run in which it is not publishes nothing.
-- tracker: the tracker
-- file_name: path below the inbox
-- status: read, repeat (the same bytes as another file) or quarantined (not to be read)
-- baseball_day: latest baseball day of a sighting in it
-- rows_read [rows]: rows read
-- sightings [rows]: became sightings
-- repeats [rows]: repeat a known sighting
-- no_pitch [rows]: are no pitch
-- quarantined [rows]: could not be taken
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
