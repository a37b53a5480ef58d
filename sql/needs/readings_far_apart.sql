-- One row is one metric that the same trackers read very differently on many pitches of the last week: not a matter of precision but of a
-- unit, a sign or a plane. It shows from the first night on, long before a bias is certain.
with spreads as (
    select
        pitches.trackers,
        pitch_values.metric,
        pitch_values.spread,
        metrics.words,
        metrics.decimals,
        -- UNLIKE in pipeline/agreement/wording.py; for an axis half of the largest possible difference
        least(10 * metrics.tolerance, if(metrics.unit = 'deg', 90, 1e9)) as far,
        case metrics.unit when 'deg' then '°' when 'ratio' then '' else ' ' || metrics.unit end as unit
    from pitch_values
    inner join pitches on pitches.pitch_id = pitch_values.pitch_id
    inner join metrics on metrics.metric = pitch_values.metric
    where
        pitch_values.seen_by > 1 and pitches.baseball_day >= (select week_began from last_night)
        -- a mistake that is known needs no second line
        and not exists (
            from convention_mismatches as known
            where
                known.metric = pitch_values.metric
                and list_has_all(string_split(pitches.trackers, ','), [known.tracker_a, known.tracker_b])
                and pitches.baseball_day between known.from_day and known.until_day
        )
),

counted as (
    select
        trackers,
        metric,
        any_value(words) as words,
        any_value(unit) as unit,
        any_value(decimals) as decimals,
        any_value(far) as far,
        count(*) as pitches,
        count(*) filter (where spread > far) as pitches_far,
        median(spread) filter (where spread > far) as median_spread
    from spreads
    group by trackers, metric
    -- 3 pitches and 5 % of the pitches: common practice, no source
    having pitches_far >= 3 and pitches_far >= 0.05 * count(*)
),

named as (
    select
        counted.trackers,
        counted.metric,
        string_agg(coalesce(trackers.name, listed.tracker), ' and ' order by listed.place) as names
    from counted
    cross join unnest(string_split(counted.trackers, ',')) with ordinality as listed (tracker, place)
    left join trackers on trackers.tracker = listed.tracker
    group by counted.trackers, counted.metric
)

select
    'unlike' as kind,
    format(
        '{}: {} differs by more than {}{} on {:,} of {:,} pitches (median {}{}).',
        named.names, counted.words,
        format('{:.' || counted.decimals || 'f}', counted.far), counted.unit, counted.pitches_far, counted.pitches,
        format('{:.' || counted.decimals || 'f}', counted.median_spread), counted.unit
    ) as problem,
    'Check the column''s unit, sign and plane in both profiles. If only some rows differ, check the device''s own setting that day.' as what_to_do
from counted
inner join named on named.trackers = counted.trackers and named.metric = counted.metric
order by counted.pitches_far / counted.pitches desc, counted.trackers, counted.metric
