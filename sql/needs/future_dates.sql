-- One row is one tracker with pitches dated after the last run.
select
    'clock' as kind,
    format(
        '{}: {:,} {} dated after the run, up to {}.',
        any_value(coalesce(trackers.name, sightings.tracker)), count(*), if(count(*) = 1, 'pitch is', 'pitches are'),
        strftime(max(sightings.baseball_day), '%b %-d, %Y')
    ) as problem,
    'Set its clock, check [time] formats in its profile, and export again.' as what_to_do
from sightings
left join trackers on trackers.tracker = sightings.tracker
where sightings.baseball_day > (select cast(timezone('UTC', max(started_at)) as date) + 1 from runs)
group by sightings.tracker
order by sightings.tracker
