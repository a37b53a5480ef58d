-- One row is one reading of the last week that was removed because no pitch can have it. `pitchledger status` compares them, with the other
-- readings of the same tracker, with what the profile states, because that takes more than SQL.
select
    quarantine.tracker,
    quarantine.metric,
    try_cast(quarantine.value as double) as value
from quarantine
inner join distinct_exports on distinct_exports.file_id = quarantine.file_id and distinct_exports.tracker = quarantine.tracker
inner join metrics on metrics.metric = quarantine.metric
where
    -- texts that are not numbers have a column
    quarantine."column" is null and quarantine.file_row is not null
    and coalesce(distinct_exports.baseball_day_last, cast(timezone('UTC', distinct_exports.modified_at) as date)) >= (select week_began from last_night)
order by quarantine.tracker, quarantine.metric, quarantine.file_id, quarantine.file_row
