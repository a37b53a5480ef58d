-- One row is one export of the last week whose readings are all in another export under other ids. Its rows count once.
with copied as (
    select
        set_aside.tracker,
        distinct_exports.file_name,
        count(*) as copied_rows,
        max(set_aside.baseball_day) as baseball_day
    from set_aside
    inner join distinct_exports on distinct_exports.file_id = set_aside.file_id and distinct_exports.tracker = set_aside.tracker
    where
        set_aside.why = 'another export has the same readings in the same order under another id'
        and set_aside.baseball_day >= (select week_began from last_night)
    group by set_aside.tracker, distinct_exports.file_name
)

select
    'copy' as kind,
    format(
        '{}/{}: {:,} row{} of {} repeat{} the readings of another export under other ids. They count once.',
        tracker, file_name, copied_rows, if(copied_rows = 1, '', 's'), strftime(baseball_day, '%b %-d'), if(copied_rows = 1, 's', '')
    ) as problem,
    format(
        'If it is a copy, remove it from the inbox and add to decisions.csv: drop_export,{},{},,YOU,DATE,WHY',
        tracker, if(regexp_matches(file_name, '[",\r\n]'), '"' || replace(file_name, '"', '""') || '"', file_name)
    ) as what_to_do
from copied
order by tracker, file_name
