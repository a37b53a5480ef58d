-- One row is one series of pitches of the last week whose label names another pitcher than the one who probably threw them.
select
    'stale label' as kind,
    format(
        '{}: {:,} {} labeled ''{}'' on {} {} like {}''s ({:.0f}% likely).',
        coalesce(trackers.name, label_runs.tracker), label_runs.pitches, if(label_runs.pitches = 1, 'pitch', 'pitches'),
        label_runs.label, strftime(label_runs.baseball_day, '%b %-d'), if(label_runs.pitches = 1, 'looks', 'look'),
        coalesce(players.name, label_runs.proposed_label), 100 * label_runs.probability
    ) as problem,
    '`pitchledger review --kind labels` shows each with the lines for decisions.csv.' as what_to_do
from label_runs
inner join distinct_exports on distinct_exports.file_id = label_runs.file_id
left join trackers on trackers.tracker = label_runs.tracker
left join players on players.player_id = label_runs.proposed_player_id
where distinct_exports.baseball_day_last >= (select week_began from last_night)
order by label_runs.pitches desc, label_runs.tracker, distinct_exports.file_name, label_runs.label, label_runs.proposed_label
