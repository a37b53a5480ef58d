-- One row is one metric or column that a tracker lost on many rows of the last week. A few lost values are misreads; many are, as a rule,
-- a wrong unit, format or column.
with recent as (
    select tracker, file_id, file_row from sightings where baseball_day >= (select week_began from last_night)
),

row_counts as (
    select tracker, count(*) as sightings from recent group by tracker
),

lost as (
    select
        quarantine.tracker,
        coalesce(metrics.words, quarantine.metric, quarantine."column") as lost_column,
        mode(quarantine.reason) as reason,
        any_value(quarantine.fix) as fix,
        count(distinct (quarantine.file_id, quarantine.file_row)) as lost_rows
    from quarantine
    left join metrics on metrics.metric = quarantine.metric
    semi join recent on recent.file_id = quarantine.file_id and recent.file_row = quarantine.file_row
    where quarantine.level = 'value'
    group by quarantine.tracker, lost_column
)

select
    'value' as kind,
    format(
        '{}: {} was left out on {:,} of {:,} row{}. Most common reason: {}.',
        coalesce(trackers.name, lost.tracker), lost.lost_column, lost.lost_rows, row_counts.sightings, if(row_counts.sightings = 1, '', 's'),
        rtrim(lost.reason, '.')
    ) as problem,
    coalesce(upper(lost.fix[1]) || rtrim(lost.fix[2:], '.'), 'Check this column in the tracker''s profile') || '.' as what_to_do
from lost
inner join row_counts on row_counts.tracker = lost.tracker
left join trackers on trackers.tracker = lost.tracker
-- 3 rows and 5 % of the rows: common practice, no source
where lost.lost_rows >= greatest(3, 0.05 * row_counts.sightings)
order by lost.tracker, lost.lost_rows desc, lost.lost_column
