-- One row is one tracker with pitches of the last week that may be warm-up throws or throws back to the mound.
with recent as (
    select
        trackers,
        pitch_id,
        any_value(reason) as reason
    from possible_non_pitches
    where baseball_day >= (select week_began from last_night)
    group by trackers, pitch_id
)

select
    'warm-up' as kind,
    format(
        '{}: {:,} pitch{} may be {} or {} back; the lowest counts leave them out.',
        string_agg(distinct coalesce(trackers.name, listed.tracker), ' and '), count(distinct recent.pitch_id),
        if(count(distinct recent.pitch_id) = 1, '', 'es'),
        if(count(distinct recent.pitch_id) = 1, 'a warm-up throw', 'warm-up throws'), if(count(distinct recent.pitch_id) = 1, 'a throw', 'throws')
    ) as problem,
    '`pitchledger query "from possible_non_pitches"` lists each. Add to decisions.csv: no_pitch,,SIGHTING,,YOU,DATE,warm-up' as what_to_do
from recent
cross join unnest(string_split(recent.trackers, ',')) as listed (tracker)
left join trackers on trackers.tracker = listed.tracker
group by recent.trackers
order by recent.trackers
