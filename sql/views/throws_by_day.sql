-- How often did each arm throw on each baseball day, and how long had it rested? Every throw counts once, however many trackers saw it.
-- One row is one arm on one baseball day.
-- Raw counts and days, no limits and no verdict: how much is too much depends on age, history and rules. The governing body's
-- guidelines and the athletic trainers and physicians decide. Throws that no tracker measured (catch, most warm-ups) are not in it.
-- baseball_day: local date at the venue; a day turns over at 04:00
-- arm: the player's id; "label: ..." while the name is not settled; "not named"
-- pitcher_name: the player's name; the tracker's label while it is not settled
-- on_roster: whether the roster names him
-- name_settled: false: these throws may belong to an arm that has a row of its own, whose count is then too low
-- throws [pitches]: throws, each once
-- throws_doubtful [pitches]: throws among them of which it is doubtful whether their sightings are one pitch: each may be a throw more or less
-- throws_pitcher_doubtful [pitches]: throws among them of which trackers name different pitchers
-- throws_game [pitches]: throws in games
-- throws_scrimmage [pitches]: throws in scrimmages
-- throws_bullpen [pitches]: throws in bullpens
-- throws_live_bp [pitches]: throws in live batting practice
-- throws_other [pitches]: throws of which the occasion is not known
-- outings [outings]: outings
-- previous_day: the arm's last baseball day with a throw before this one; null for its first and for "not named"
-- rest_days [days]: whole days without a measured throw in between: 0 when it threw on the day before
-- throws_7_days [pitches]: throws on this and the six days before
with arm_days as (
    select
        baseball_day,
        arm,
        any_value(pitcher_name order by pitch_id) as pitcher_name,
        bool_or(on_roster) as on_roster,
        bool_and(name_settled) as name_settled,
        count(*) as throws,
        count(*) filter (where doubtful) as throws_doubtful,
        count(*) filter (where pitcher_conflict) as throws_pitcher_doubtful,
        count(*) filter (where occasion = 'game') as throws_game,
        count(*) filter (where occasion = 'scrimmage') as throws_scrimmage,
        count(*) filter (where occasion = 'bullpen') as throws_bullpen,
        count(*) filter (where occasion = 'live_bp') as throws_live_bp,
        count(*) filter (where occasion is null) as throws_other,
        count(distinct outing_id) as outings
    from pitch_log
    group by baseball_day, arm
),

with_previous as (
    select
        *,
        case when arm <> 'not named' then lag(baseball_day) over (partition by arm order by baseball_day) end as previous_day,
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
    name_settled,
    throws,
    throws_doubtful,
    throws_pitcher_doubtful,
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
