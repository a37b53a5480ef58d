-- Every pitcher and batter of a pitch is in table players.
with named as (
    select pitcher_id as player_id from pitches
    union
    select batter_id from pitches
)

select named.player_id
from named
left join players on players.player_id = named.player_id
where named.player_id is not null and players.player_id is null
