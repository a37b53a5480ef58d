-- One row is one tracker with exports that use the same number or id for different throws. Every throw of them counts.
with collisions as (
    select
        key_collisions.*,
        files.file_name,
        others.file_name as other_name,
        sum(throws) over (partition by key_collisions.tracker)::bigint as all_throws,
        count(*) over (partition by key_collisions.tracker) as pairs
    from key_collisions
    inner join distinct_exports as files on files.file_id = key_collisions.file_id and files.tracker = key_collisions.tracker
    inner join distinct_exports as others on others.file_id = key_collisions.other_file_id and others.tracker = key_collisions.tracker
    qualify row_number() over (partition by key_collisions.tracker order by key_collisions.baseball_day desc, throws desc, files.file_name, others.file_name) = 1
)

select
    'same key' as kind,
    format(
        '{}: {} and {} use {} for different throws{}. All of them count ({:,} pair{}).',
        coalesce(trackers.name, collisions.tracker), other_name, file_name,
        case "key"
            when 'native_id' then 'id ' || example
            when 'sequence' then 'number ' || example
            else 'the same places'
        end,
        if(pairs = 1, '', format(', as do {:,} more pair{} of exports', pairs - 1, if(pairs = 2, '', 's'))),
        all_throws, if(all_throws = 1, '', 's')
    ) as problem,
    if("key" = 'native_id', 'Its ids restart. In [keys] of its profile, name this key sequence, and add session.',
        'In [keys] of its profile, set session to what tells them apart, such as a part of the file name. If one corrects the other, remove the wrong one.'
    ) as what_to_do
from collisions
left join trackers on trackers.tracker = collisions.tracker
order by collisions.tracker
