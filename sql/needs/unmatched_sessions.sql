-- One row is one session in which matching failed for two trackers, so that throws may count twice.
select
    'unmatched' as kind,
    format(
        '{}, {}: matching failed. {} saw {:,} and {} saw {:,} throws of the same arms, but share {:,}. Throws may count twice.',
        strftime(unmatched_sessions.baseball_day, '%a %b %-d'), coalesce(unmatched_sessions.station, 'unknown mound'),
        coalesce(any_value(trackers.name), unmatched_sessions.tracker), sum(unmatched_sessions.pitches_tracker)::bigint,
        coalesce(any_value(others.name), unmatched_sessions.other_tracker), sum(unmatched_sessions.pitches_other)::bigint,
        sum(unmatched_sessions.pitches_both)::bigint
    ) as problem,
    'Check both clocks and pitcher names. If they saw the same throws, use throws_at_least until then.' as what_to_do
from unmatched_sessions
left join trackers on trackers.tracker = unmatched_sessions.tracker
left join trackers as others on others.tracker = unmatched_sessions.other_tracker
group by unmatched_sessions.baseball_day, unmatched_sessions.station, unmatched_sessions.session_id, unmatched_sessions.tracker, unmatched_sessions.other_tracker
order by unmatched_sessions.baseball_day desc, unmatched_sessions.session_id, unmatched_sessions.tracker, unmatched_sessions.other_tracker
