-- One row is one tracker with rows in quarantine in the last week.
select
    'row' as kind,
    format(
        '{}: {:,} row{} in quarantine. {}: {}.',
        any_value(coalesce(trackers.name, quarantine.tracker)),
        count(distinct (quarantine.file_id, quarantine.file_row)),
        if(count(distinct (quarantine.file_id, quarantine.file_row)) = 1, ' is', 's are'),
        if(count(distinct quarantine.reason) = 1, 'Reason', 'Most common reason'),
        rtrim(mode(quarantine.reason), '.')
    ) as problem,
    format('See warehouse/quarantine/{}.csv.', quarantine.tracker) as what_to_do
from quarantine
inner join distinct_exports on distinct_exports.file_id = quarantine.file_id and distinct_exports.tracker = quarantine.tracker
left join trackers on trackers.tracker = quarantine.tracker
where
    quarantine.level = 'row'
    and coalesce(distinct_exports.baseball_day_last, cast(timezone('UTC', distinct_exports.modified_at) as date)) >= (select week_began from last_night)
group by quarantine.tracker
order by quarantine.tracker
