-- How often did each arm throw on each baseball day, and after how much rest? Each throw counts once, however many trackers saw it.
-- One row is one arm on one baseball day, also a day on which other arms' throws may be its own and none is counted for it.
-- These are counts and days, without limits or verdicts: how much is too much is for the governing body's rules, the athletic trainers
-- and the physicians. Throws that no tracker measured (catch, most warm-ups) are missing.
-- baseball_day: local date at the venue; the day changes at 4 am
-- arm: the player's id; "label: ..." if the name is unresolved; "not named" if no tracker names the pitcher
-- pitcher_name: the player's name; the tracker's label if the name is unresolved
-- on_roster: whether the player is on the roster
-- name_resolved: if false, these throws may belong to an arm with a row of its own, whose count is then too low
-- throws [pitches]: throws, each once
-- throws_doubtful [pitches]: throws whose match is doubtful: each may be one throw more or less
-- throws_pitcher_doubtful [pitches]: throws that may be another arm's: trackers name different pitchers, or the label looks stale (label_runs)
-- throws_elsewhere [pitches]: throws counted for other arms that may be this arm's, for the same reasons: the count may be too low, and the rest shorter
-- throws_game [pitches]: throws in games
-- throws_scrimmage [pitches]: throws in scrimmages
-- throws_bullpen [pitches]: throws in bullpens
-- throws_live_bp [pitches]: throws in live batting practice
-- throws_other [pitches]: throws on an unknown occasion
-- outings [outings]: outings
-- previous_day: the arm's last baseball day with a throw before this one; null for its first and for "not named"
-- rest_days [days]: full days between without a measured throw: 0 if it threw on the day before
-- throws_7_days [pitches]: throws on this and the six days before
with claims as (
    select pitch_log.pitch_id, sightings.pitcher_id as claimant
    from pitch_log
    inner join sightings on sightings.pitch_id = pitch_log.pitch_id
    where pitch_log.pitcher_conflict and sightings.pitcher_id <> pitch_log.arm
    union
    select pitch_log.pitch_id, stale.proposed_player_id
    from (select proposed_player_id, unnest(string_split(sighting_ids, ',')) as sighting_id from label_runs) as stale
    inner join sightings on sightings.sighting_id = stale.sighting_id
    inner join pitch_log on pitch_log.pitch_id = sightings.pitch_id
    where stale.proposed_player_id <> pitch_log.arm
),

elsewhere as (
    select pitch_log.baseball_day, claims.claimant as arm, count(*) as throws
    from claims
    inner join pitch_log on pitch_log.pitch_id = claims.pitch_id
    group by pitch_log.baseball_day, claims.claimant
),

counted as (
    select
        baseball_day,
        arm,
        any_value(pitcher_name order by pitch_id) as pitcher_name,
        bool_or(on_roster) as on_roster,
        bool_and(name_resolved) as name_resolved,
        count(*) as throws,
        count(*) filter (where doubtful) as throws_doubtful,
        count(*) filter (where pitcher_conflict or pitch_id in (select pitch_id from claims)) as throws_pitcher_doubtful,
        count(*) filter (where occasion = 'game') as throws_game,
        count(*) filter (where occasion = 'scrimmage') as throws_scrimmage,
        count(*) filter (where occasion = 'bullpen') as throws_bullpen,
        count(*) filter (where occasion = 'live_bp') as throws_live_bp,
        count(*) filter (where occasion is null) as throws_other,
        count(distinct outing_id) as outings
    from pitch_log
    group by baseball_day, arm
),

arm_days as (
    select
        baseball_day,
        arm,
        coalesce(counted.pitcher_name, players.name) as pitcher_name,
        coalesce(counted.on_roster, players.on_roster, false) as on_roster,
        coalesce(counted.name_resolved, true) as name_resolved,
        case when counted.throws is not null then baseball_day end as thrown_on,
        coalesce(counted.throws, 0) as throws,
        coalesce(counted.throws_doubtful, 0) as throws_doubtful,
        coalesce(counted.throws_pitcher_doubtful, 0) as throws_pitcher_doubtful,
        coalesce(elsewhere.throws, 0) as throws_elsewhere,
        coalesce(counted.throws_game, 0) as throws_game,
        coalesce(counted.throws_scrimmage, 0) as throws_scrimmage,
        coalesce(counted.throws_bullpen, 0) as throws_bullpen,
        coalesce(counted.throws_live_bp, 0) as throws_live_bp,
        coalesce(counted.throws_other, 0) as throws_other,
        coalesce(counted.outings, 0) as outings
    from counted
    full join elsewhere using (baseball_day, arm)
    left join players on players.player_id = arm
),

with_previous as (
    select
        *,
        case when arm <> 'not named' then max(thrown_on) over (
            partition by arm order by baseball_day rows between unbounded preceding and 1 preceding
        ) end as previous_day,
        sum(throws) over (
            partition by arm order by baseball_day range between interval 6 days preceding and current row
        )::bigint as throws_7_days
    from arm_days
)

select
    baseball_day,
    arm,
    pitcher_name,
    on_roster,
    name_resolved,
    throws,
    throws_doubtful,
    throws_pitcher_doubtful,
    throws_elsewhere,
    throws_game,
    throws_scrimmage,
    throws_bullpen,
    throws_live_bp,
    throws_other,
    outings,
    previous_day,
    date_diff('day', previous_day, baseball_day) - 1 as rest_days,
    throws_7_days
from with_previous
