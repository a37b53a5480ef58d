-- One row is one thing that complete exports of the last week lack (a renamed key, a date in the preamble): every row of them is poorer for it.
select
    'value' as kind,
    format(
        '{}: {} ({} file{}).',
        any_value(coalesce(trackers.name, quarantine.tracker)), rtrim(quarantine.reason, '.'),
        count(distinct quarantine.file_id), if(count(distinct quarantine.file_id) = 1, '', 's')
    ) as problem,
    coalesce(upper(any_value(quarantine.fix)[1]) || rtrim(any_value(quarantine.fix)[2:], '.'), 'Check the tracker''s profile') || '.' as what_to_do
from quarantine
inner join distinct_exports on distinct_exports.file_id = quarantine.file_id and distinct_exports.tracker = quarantine.tracker
left join trackers on trackers.tracker = quarantine.tracker
where
    quarantine.level = 'value' and quarantine.file_row is null
    and coalesce(distinct_exports.baseball_day_last, cast(timezone('UTC', distinct_exports.modified_at) as date)) >= (select week_began from last_night)
group by quarantine.tracker, quarantine.reason
order by quarantine.tracker, quarantine.reason
