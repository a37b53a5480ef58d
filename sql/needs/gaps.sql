-- One row is one tracker that missed much of what another tracker saw at a station last night.
select
    'gap' as kind,
    format(
        '{}, {}: {} saw only {:,} of the {:,} pitches that {} saw.',
        strftime(nights_with_gaps.baseball_day, '%a %b %-d'), nights_with_gaps.station,
        coalesce(trackers.name, nights_with_gaps.tracker), pitches_both, pitches_other,
        coalesce(others.name, nights_with_gaps.other_tracker)
    ) as problem,
    'Check whether an export is missing.' as what_to_do
from nights_with_gaps
left join trackers on trackers.tracker = nights_with_gaps.tracker
left join trackers as others on others.tracker = nights_with_gaps.other_tracker
where nights_with_gaps.baseball_day = (select baseball_day from last_night)
qualify row_number() over (
    partition by nights_with_gaps.station, nights_with_gaps.tracker
    order by nights_with_gaps.pitches_other desc, nights_with_gaps.other_tracker
) = 1
order by nights_with_gaps.station, nights_with_gaps.tracker
