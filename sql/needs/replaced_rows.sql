-- One row is one tracker with rows of the last week that a newer export replaced by rows with other readings.
select
    'lost' as kind,
    format(
        '{}: newer exports replaced {:,} row{} by ones with other readings (last: {}). The rest of both exports agrees.',
        any_value(coalesce(trackers.name, set_aside.tracker)), count(*), if(count(*) = 1, '', 's'), strftime(max(set_aside.baseball_day), '%b %-d')
    ) as problem,
    'If they are corrections, nothing to do. If they are other throws, give each export its own session in the profile.' as what_to_do
from set_aside
left join trackers on trackers.tracker = set_aside.tracker
where
    set_aside.why = 'a newer export has replaced this row by one with other readings'
    and set_aside.baseball_day >= (select week_began from last_night)
group by set_aside.tracker
order by set_aside.tracker
