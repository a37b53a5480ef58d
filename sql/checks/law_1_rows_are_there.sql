-- The counts of an export in table files agree with tables sightings, set_aside and quarantine.
with read_files as (
    -- the same bytes twice in one inbox share a file_id: their rows can only be counted together
    select
        file_id,
        min(file_name) as file_name,
        sum(sightings)::bigint as sightings,
        sum(repeats)::bigint as repeats,
        sum(no_pitch)::bigint as no_pitch,
        sum(quarantined)::bigint as quarantined
    from files
    group by file_id
    having count(*) = 1 and bool_and(status = 'read')
),

sighting_counts as (
    select file_id, count(*) as sightings from sightings group by file_id
),

set_aside_counts as (
    select
        file_id,
        count(distinct file_row) filter (where kind <> 'no_pitch') as repeats,
        count(distinct file_row) filter (where kind = 'no_pitch') as no_pitch
    from set_aside
    group by file_id
),

quarantine_counts as (
    select file_id, count(distinct file_row) as quarantined from quarantine where level = 'row' group by file_id
)

select
    read_files.file_name,
    read_files.sightings as sightings_counted,
    coalesce(sighting_counts.sightings, 0) as sightings_found,
    read_files.repeats as repeats_counted,
    coalesce(set_aside_counts.repeats, 0) as repeats_found,
    read_files.no_pitch as no_pitch_counted,
    coalesce(set_aside_counts.no_pitch, 0) as no_pitch_found,
    read_files.quarantined as quarantined_counted,
    coalesce(quarantine_counts.quarantined, 0) as quarantined_found
from read_files
left join sighting_counts on sighting_counts.file_id = read_files.file_id
left join set_aside_counts on set_aside_counts.file_id = read_files.file_id
left join quarantine_counts on quarantine_counts.file_id = read_files.file_id
where
    read_files.sightings <> coalesce(sighting_counts.sightings, 0)
    or read_files.repeats <> coalesce(set_aside_counts.repeats, 0)
    or read_files.no_pitch <> coalesce(set_aside_counts.no_pitch, 0)
    or read_files.quarantined <> coalesce(quarantine_counts.quarantined, 0)
