-- Every row of an export is a sighting, a repeat, a row that is no pitch, or quarantined.
select
    tracker,
    file_name,
    "rows" as rows_read,
    sightings,
    repeats,
    no_pitch,
    quarantined
from files
where "rows"::bigint <> sightings::bigint + repeats + no_pitch + quarantined
