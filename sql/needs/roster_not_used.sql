-- One row if the roster names hardly any pitcher: it is empty, an example, or another season's.
with throws as (
    select
        count(*) as named,
        count(*) filter (where players.on_roster) as ours
    from pitches
    left join players on players.player_id = pitches.pitcher_id
    where coalesce(pitches.pitcher_label, pitches.pitcher_native_id, pitches.pitcher_id) is not null
),

roster as (select count(*) as players from players where on_roster)

select
    'roster' as kind,
    format(
        '{} {:,} of {:,} throws {} by a pitcher on it. Your own pitchers count as opponents or as unknown.',
        if(
            roster.players = 0, 'roster.csv lists no player:',
            format('roster.csv does not fit the exports. It lists {:,} player{}, and', roster.players, if(roster.players = 1, '', 's'))
        ),
        throws.ours, throws.named, if(throws.ours = 1, 'is', 'are')
    ) as problem,
    'Write your players into roster.csv, with the names that the devices use. The next run corrects all nights.' as what_to_do
from throws
cross join roster
-- in games about half of the throws are ours, elsewhere nearly all; a tenth: common practice, no source
where throws.ours < 0.1 * throws.named
