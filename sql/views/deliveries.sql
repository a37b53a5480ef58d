-- What did each tracker deliver for each night, compared with what was expected?
-- One row is one tracker on one baseball day on which it saw pitches or should have: because ledger.toml lists the weekday
-- (expected_days), or because another tracker saw pitches where this one usually works (nights_with_gaps).
-- baseball_day: local date at the venue; the day changes at 4 am
-- tracker: the tracker
-- exports [files]: exports that hold sightings of that day
-- pitches [pitches]: pitches that it saw
-- came_at [UTC]: the first run that found one of these exports
-- hours_after [h]: hours from the end of the baseball day until came_at
-- expected_by: schedule (ledger.toml), others (other trackers saw pitches there), or null (not expected)
-- verdict: came, late (a run after the deadline did not find it), too few, missing, or due (the deadline is not over)
with seen as (
    select
        tracker,
        baseball_day,
        count(*) as pitches
    from sightings
    group by tracker, baseball_day
),

gaps as (
    select
        tracker,
        baseball_day
    from nights_with_gaps
    group by tracker, baseball_day
),

judged as (
    -- a day counts once the run of the next morning may have seen its exports; before the first run nobody could look
    select
        max(started_at) as last_run,
        min(started_at) as first_run,
        cast(min(started_at) as date) as first_day,
        cast(max(started_at) as date) as last_day
    from runs
),

scheduled as (
    select
        trackers.tracker,
        cast(days.day as date) as baseball_day
    from trackers
    cross join judged
    cross join unnest(range(judged.first_day, judged.last_day, interval 1 day)) as days (day)
    where
        trackers.expected_days is not null
        and list_contains(string_split(trackers.expected_days, ','), lower(strftime(days.day, '%a')))
),

asked as (
    select
        tracker,
        baseball_day
    from seen
    union
    select
        tracker,
        baseball_day
    from gaps
    union
    select
        tracker,
        baseball_day
    from scheduled
),

arrivals as (
    select
        asked.tracker,
        asked.baseball_day,
        count(*) as exports,
        min(files.first_seen_at) as came_at
    from asked
    inner join files
        on files.tracker = asked.tracker and asked.baseball_day between files.baseball_day_first and files.baseball_day_last
    group by asked.tracker, asked.baseball_day
),

timed as (
    select
        asked.tracker,
        asked.baseball_day,
        coalesce(arrivals.exports, 0) as exports,
        coalesce(seen.pitches, 0) as pitches,
        arrivals.came_at,
        timezone(trackers.time_zone, asked.baseball_day + interval 28 hour) as ended_at,
        timezone(trackers.time_zone, asked.baseball_day + interval 28 hour) + to_hours(cast(trackers.late_after_h as integer)) as deadline,
        case when scheduled.tracker is not null then 'schedule' when gaps.tracker is not null then 'others' end as expected_by,
        gaps.tracker is not null as has_gap
    from asked
    inner join trackers on trackers.tracker = asked.tracker
    left join seen on seen.tracker = asked.tracker and seen.baseball_day = asked.baseball_day
    left join gaps on gaps.tracker = asked.tracker and gaps.baseball_day = asked.baseball_day
    left join scheduled on scheduled.tracker = asked.tracker and scheduled.baseball_day = asked.baseball_day
    left join arrivals on arrivals.tracker = asked.tracker and arrivals.baseball_day = asked.baseball_day
)

select
    timed.baseball_day,
    timed.tracker,
    timed.exports,
    timed.pitches,
    timed.came_at,
    round(epoch(timed.came_at - timed.ended_at) / 3600, 1) as hours_after,
    timed.expected_by,
    case
        when timed.pitches = 0 and judged.last_run < timed.deadline then 'due'
        when timed.pitches = 0 then 'missing'
        when timed.has_gap then 'too few'
        when timed.came_at > timed.deadline and timed.deadline > judged.first_run then 'late'
        else 'came'
    end as verdict
from timed
cross join judged
