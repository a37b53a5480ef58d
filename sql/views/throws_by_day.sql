-- How often did each arm throw on each baseball day, and after how much rest? Each throw counts once, however many trackers saw it.
-- One row is one arm on one baseball day, also a day on which only other arms' throws, or unusable records, may be its own.
-- These are counts and days, without limits or verdicts: how much is too much is for the governing body's rules, the athletic trainers
-- and the physicians. Throws that no tracker measured (catch, most warm-ups) are missing.
-- throws_at_least and throws_at_most are the range in which the number of measured throws lies. They sum view throw_doubts: doubts that
-- hang together (whose throw it is, a session that was not matched) count fully; doubts with a probability up to a
-- number that is exceeded on one arm-day in a hundred. The two are equal where nothing is in doubt.
-- baseball_day: local date at the venue; the day changes at 4 am
-- arm: the player's id; "label: ..." if the name is unresolved; "not named" if no tracker names the pitcher
-- pitcher_name: the player's name; the tracker's label if the name is unresolved
-- on_roster: whether the player is on the roster
-- name_resolved: if false, these throws may belong to an arm with a row of its own, whose throws_at_most then contains them
-- throws [pitches]: throws, each once, without warm-up throws
-- throws_at_least [pitches]: throws without those that may be another arm's, a part of another throw, or no pitch
-- throws_at_most [pitches]: throws with those that may be this arm's, and those that may be missing
-- throws_warm_up [pitches]: warm-up throws that a device measured and marked; they are not among throws
-- throws_doubtful [pitches]: throws whose match is doubtful: each may be one throw more or less
-- throws_pitcher_doubtful [pitches]: throws counted here that may be another arm's (view throw_claims)
-- throws_elsewhere [pitches]: throws counted for other arms that may be this arm's (view throw_claims): the rest may be shorter
-- throws_game [pitches]: throws in games
-- throws_scrimmage [pitches]: throws in scrimmages
-- throws_bullpen [pitches]: throws in bullpens
-- throws_live_bp [pitches]: throws in live batting practice
-- throws_other [pitches]: throws on an unknown occasion
-- outings [outings]: outings
-- previous_day: the arm's last baseball day with a throw before this one; null for its first and for "not named"
-- rest_days [days]: full days between without a measured throw: 0 if it threw on the day before
-- throws_7_days [pitches]: throws on this and the six days before
-- throws_7_days_at_least [pitches]: throws_at_least of these days
-- throws_7_days_at_most [pitches]: throws_at_most of these days
with all_doubts as materialized (
    select
        baseball_day,
        arm,
        pitch_id,
        reason,
        too_many,
        too_few,
        expected
    from throw_doubts
),

doubts as (
    -- of one throw, one doubt is enough to leave it out; doubts without a throw add up
    select
        baseball_day,
        arm,
        count(distinct pitch_id) filter (where too_many > 0 and expected is null) as surely_doubted,
        count(distinct pitch_id) filter (where reason = 'other_arm') as pitcher_doubtful,
        count(distinct pitch_id) filter (where reason = 'this_arm') as elsewhere,
        coalesce(sum(too_few) filter (where expected is null), 0) as possibly_missing
    from all_doubts
    group by baseball_day, arm
),

expectations as (
    select
        doubts.baseball_day,
        doubts.arm,
        directions.is_too_many,
        sum(case when directions.is_too_many then doubts.too_many else doubts.too_few end) as pitches,
        sum(doubts.expected) as expected
    from all_doubts as doubts
    cross join (values (true), (false)) as directions (is_too_many)
    anti join (select pitch_id, arm from all_doubts where too_many > 0 and expected is null) as left_out
        on directions.is_too_many and left_out.pitch_id = doubts.pitch_id and left_out.arm = doubts.arm
    where doubts.expected > 0 and case when directions.is_too_many then doubts.too_many else doubts.too_few end > 0
    group by doubts.baseball_day, doubts.arm, directions.is_too_many
),

likelihoods as (
    -- the number of independent rare events: Poisson, any textbook
    select
        expectations.*,
        steps.number,
        sum(exp(steps.number * ln(expectations.expected) - expectations.expected - lgamma(steps.number + 1))) over (
            partition by expectations.baseball_day, expectations.arm, expectations.is_too_many order by steps.number
        ) as likelihood
    from expectations
    cross join unnest(range(least(expectations.pitches, ceil(expectations.expected + 5 * sqrt(expectations.expected) + 5))::bigint + 1)) as steps (number)
),

margins as (
    select
        baseball_day,
        arm,
        coalesce(max(pitches_possible) filter (where is_too_many), 0) as too_many,
        coalesce(max(pitches_possible) filter (where not is_too_many), 0) as too_few
    from (
        select
            baseball_day,
            arm,
            is_too_many,
            -- 99 %: common practice, no source
            coalesce(min(number) filter (where likelihood >= 0.99), max(number)) as pitches_possible
        from likelihoods
        group by baseball_day, arm, is_too_many
    )
    group by baseball_day, arm
),

warm_ups as (
    select
        baseball_day,
        arm,
        count(*) as throws
    from non_pitches
    where counts
    group by baseball_day, arm
),

unmatched as (
    select distinct pitch_id
    from all_doubts
    where reason = 'unmatched_session'
),

counted as (
    select
        baseball_day,
        arm,
        any_value(pitcher_name order by pitch_id) as pitcher_name,
        bool_or(on_roster) as on_roster,
        bool_and(name_resolved) as name_resolved,
        count(*) as throws,
        count(*) filter (where doubtful or pitch_id in (select pitch_id from unmatched)) as throws_doubtful,
        count(*) filter (where occasion = 'game') as throws_game,
        count(*) filter (where occasion = 'scrimmage') as throws_scrimmage,
        count(*) filter (where occasion = 'bullpen') as throws_bullpen,
        count(*) filter (where occasion = 'live_bp') as throws_live_bp,
        count(*) filter (where occasion is null) as throws_other,
        count(distinct outing_id) as outings
    from pitch_log
    group by baseball_day, arm
),

listed as (
    select baseball_day, arm from counted
    union
    select baseball_day, arm from warm_ups
    union
    select baseball_day, arm from doubts
    where elsewhere > 0 or possibly_missing > 0
),

arm_days as (
    select
        listed.baseball_day,
        listed.arm,
        coalesce(counted.pitcher_name, players.name, case when starts_with(listed.arm, 'label: ') then listed.arm[8:] end) as pitcher_name,
        coalesce(counted.on_roster, players.on_roster, false) as on_roster,
        coalesce(counted.name_resolved, players.player_id is not null) as name_resolved,
        case when counted.throws is not null then listed.baseball_day end as thrown_on,
        coalesce(counted.throws, 0) as throws,
        coalesce(counted.throws, 0) - coalesce(doubts.surely_doubted, 0) - coalesce(margins.too_many, 0) as throws_at_least,
        (coalesce(counted.throws, 0) + coalesce(doubts.possibly_missing, 0) + coalesce(margins.too_few, 0))::bigint as throws_at_most,
        coalesce(warm_ups.throws, 0) as throws_warm_up,
        coalesce(counted.throws_doubtful, 0) as throws_doubtful,
        coalesce(doubts.pitcher_doubtful, 0) as throws_pitcher_doubtful,
        coalesce(doubts.elsewhere, 0) as throws_elsewhere,
        coalesce(counted.throws_game, 0) as throws_game,
        coalesce(counted.throws_scrimmage, 0) as throws_scrimmage,
        coalesce(counted.throws_bullpen, 0) as throws_bullpen,
        coalesce(counted.throws_live_bp, 0) as throws_live_bp,
        coalesce(counted.throws_other, 0) as throws_other,
        coalesce(counted.outings, 0) as outings
    from listed
    left join counted on counted.baseball_day = listed.baseball_day and counted.arm = listed.arm
    left join doubts on doubts.baseball_day = listed.baseball_day and doubts.arm = listed.arm
    left join margins on margins.baseball_day = listed.baseball_day and margins.arm = listed.arm
    left join warm_ups on warm_ups.baseball_day = listed.baseball_day and warm_ups.arm = listed.arm
    left join players on players.player_id = listed.arm
),

with_previous as (
    select
        *,
        case when arm <> 'not named' then max(thrown_on) over (
            partition by arm order by baseball_day rows between unbounded preceding and 1 preceding
        ) end as previous_day,
        sum(throws) over last_7_days::bigint as throws_7_days,
        sum(throws_at_least) over last_7_days::bigint as throws_7_days_at_least,
        sum(throws_at_most) over last_7_days::bigint as throws_7_days_at_most
    from arm_days
    window last_7_days as (partition by arm order by baseball_day range between interval 6 days preceding and current row)
)

select
    baseball_day,
    arm,
    pitcher_name,
    on_roster,
    name_resolved,
    throws,
    throws_at_least,
    throws_at_most,
    throws_warm_up,
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
    throws_7_days,
    throws_7_days_at_least,
    throws_7_days_at_most
from with_previous
