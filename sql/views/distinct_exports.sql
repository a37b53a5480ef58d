-- Which exports are there, each counted once?
-- One row is one export. Of files with the same bytes it holds the one that was read, under its first name.
-- file_id: the export's id: a hash of its bytes
-- tracker: the tracker
-- file_name: path below the inbox
-- status: read, repeat (the same bytes as another file) or quarantined (could not be read)
-- modified_at [UTC]: when the file was last changed
-- baseball_day_first: earliest baseball day of a sighting in it
-- baseball_day_last: latest baseball day of a sighting in it
select distinct on (file_id)
    file_id,
    tracker,
    file_name,
    status,
    modified_at,
    baseball_day_first,
    baseball_day_last
from files
order by file_id, status = 'quarantined', file_name
