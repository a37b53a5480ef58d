-- One row is one tracker with exports that were late or missing on a scheduled night of the last week.
select
    'delivery' as kind,
    case verdict
        when 'missing' then format(
            '{}: nothing arrived for {} scheduled night{} (last: {}).',
            any_value(coalesce(trackers.name, deliveries.tracker)), count(*), if(count(*) = 1, '', 's'), strftime(max(baseball_day), '%b %-d')
        )
        else format(
            '{}: the exports of {} night{} arrived late (last: {}).',
            any_value(coalesce(trackers.name, deliveries.tracker)), count(*), if(count(*) = 1, '', 's'), strftime(max(baseball_day), '%b %-d')
        )
    end as problem,
    'Check that the device recorded, and that its sync or network drive works.' as what_to_do
from deliveries
left join trackers on trackers.tracker = deliveries.tracker
where
    baseball_day >= (select week_began from last_night)
    and (verdict = 'late' or (verdict = 'missing' and expected_by = 'schedule'))
group by deliveries.tracker, verdict
order by verdict desc, deliveries.tracker
