-- In which sessions did matching fail, so that throws may count twice?
-- One row is one arm in a session of two trackers that recorded about as many of its throws and share few of them.
-- baseball_day: local date at the venue; the day changes at 4 am
-- venue: the ballpark or practice field
-- station: the mound
-- session_id: the session (table sessions)
-- arm: the pitcher's player id; "label: ..." if the name is unresolved; "not named" if no tracker names the pitcher
-- tracker: the tracker that recorded more throws; in a tie, the first in the alphabet
-- other_tracker: the other tracker
-- pitches_tracker [pitches]: throws that tracker saw
-- pitches_other [pitches]: throws that other_tracker saw
-- pitches_both [pitches]: throws that both saw
with seen as (
    select
        session_id,
        arm,
        pitch_id,
        unnest(string_split(trackers, ',')) as tracker
    from pitch_log
),

counts as (
    select
        session_id,
        arm,
        tracker,
        count(*) as pitches
    from seen
    group by session_id, arm, tracker
),

both_saw as (
    select
        first.session_id,
        first.arm,
        first.tracker,
        second.tracker as other_tracker,
        count(*) as pitches
    from seen as first
    inner join seen as second on second.pitch_id = first.pitch_id and second.tracker <> first.tracker
    group by first.session_id, first.arm, first.tracker, second.tracker
)

select
    sessions.baseball_day,
    sessions.venue,
    sessions.station,
    sessions.session_id,
    more.arm,
    more.tracker,
    fewer.tracker as other_tracker,
    more.pitches as pitches_tracker,
    fewer.pitches as pitches_other,
    coalesce(both_saw.pitches, 0) as pitches_both
from counts as more
inner join counts as fewer
    on
        fewer.session_id = more.session_id and fewer.arm = more.arm
        and (fewer.pitches < more.pitches or (fewer.pitches = more.pitches and fewer.tracker > more.tracker))
inner join sessions on sessions.session_id = more.session_id
left join both_saw
    on
        both_saw.session_id = more.session_id and both_saw.arm = more.arm
        and both_saw.tracker = more.tracker and both_saw.other_tracker = fewer.tracker
-- at least five throws, at least half as many as the other, and fewer than half of them shared (common practice, no source)
where fewer.pitches >= 5 and 2 * fewer.pitches >= more.pitches and 2 * coalesce(both_saw.pitches, 0) < fewer.pitches
