-- How much had each arm thrown in the days before any morning?
-- One row is one arm on one morning, from the day after the first pitch to the morning after the last one, or today. It counts the
-- baseball days before this date, so it says what was known to have been thrown when the day began. Arms without a throw so far are missing.
-- These are counts and days, without limits or verdicts: how much is too much is for the governing body's rules, the athletic trainers
-- and the physicians. Each number is a sum over view throws_by_day, where throws_at_least and throws_at_most are explained.
-- as_of: the morning
-- arm: the player's id; "label: ..." if the name is unresolved; "not named" if no tracker names the pitcher
-- pitcher_name: the player's name; the tracker's label if the name is unresolved
-- on_roster: whether the player is on the roster
-- last_day: the arm's last baseball day with a throw
-- last_throws [pitches]: throws on that day
-- last_throws_at_least [pitches]: throws_at_least of that day
-- last_throws_at_most [pitches]: throws_at_most of that day
-- days_since [days]: days from last_day to this morning: 1 if the arm threw yesterday
-- last_possible_day: the last baseball day on which the arm threw or may have thrown; later than last_day where only throws in doubt followed
-- throws_1_day [pitches]: throws yesterday
-- throws_1_day_at_least [pitches]: throws_at_least of yesterday
-- throws_1_day_at_most [pitches]: throws_at_most of yesterday
-- throws_3_days [pitches]: throws in the three days before
-- throws_3_days_at_least [pitches]: throws_at_least of these days
-- throws_3_days_at_most [pitches]: throws_at_most of these days
-- throws_7_days [pitches]: throws in the seven days before
-- throws_7_days_at_least [pitches]: throws_at_least of these days
-- throws_7_days_at_most [pitches]: throws_at_most of these days
-- throws_14_days [pitches]: throws in the 14 days before
-- throws_14_days_at_least [pitches]: throws_at_least of these days
-- throws_14_days_at_most [pitches]: throws_at_most of these days
-- throws_28_days [pitches]: throws in the 28 days before
-- throws_28_days_at_least [pitches]: throws_at_least of these days
-- throws_28_days_at_most [pitches]: throws_at_most of these days
-- game_28_days [pitches]: throws in games in the 28 days before
-- bullpen_28_days [pitches]: throws in bullpens in the 28 days before
-- warm_up_28_days [pitches]: warm-up throws that a device measured in the 28 days before; they are not among the throws
with counted as materialized (
    select
        baseball_day,
        arm,
        pitcher_name,
        on_roster,
        throws,
        throws_at_least,
        throws_at_most,
        throws_game,
        throws_bullpen,
        throws_warm_up
    from throws_by_day
),

zone as (
    select coalesce(min(time_zone order by rank), 'UTC') as time_zone from trackers
),

mornings as (
    select cast(days.day as date) as as_of
    from (
        select
            min(baseball_day) as first_day,
            max(baseball_day) as last_day
        from counted
    ) as spans
    cross join zone
    cross join unnest(range(
        spans.first_day + 1, greatest(spans.last_day + 1, cast(timezone(zone.time_zone, now()) as date)) + 1, interval 1 day
    )) as days (day)
),

arms as (
    select
        arm,
        min(baseball_day) as first_day,
        arg_max(pitcher_name, baseball_day) as pitcher_name,
        bool_or(on_roster) as on_roster
    from counted
    group by arm
),

thrown as (
    select
        baseball_day,
        arm,
        throws,
        throws_at_least,
        throws_at_most
    from counted
    where throws > 0
),

possible as (
    select
        baseball_day,
        arm
    from counted
    where throws_at_most > 0
),

recent as (
    select
        mornings.as_of,
        arms.arm,
        any_value(arms.pitcher_name) as pitcher_name,
        any_value(arms.on_roster) as on_roster,
        coalesce(sum(counted.throws) filter (where counted.baseball_day >= mornings.as_of - 1), 0)::bigint as throws_1_day,
        coalesce(sum(counted.throws_at_least) filter (where counted.baseball_day >= mornings.as_of - 1), 0)::bigint as throws_1_day_at_least,
        coalesce(sum(counted.throws_at_most) filter (where counted.baseball_day >= mornings.as_of - 1), 0)::bigint as throws_1_day_at_most,
        coalesce(sum(counted.throws) filter (where counted.baseball_day >= mornings.as_of - 3), 0)::bigint as throws_3_days,
        coalesce(sum(counted.throws_at_least) filter (where counted.baseball_day >= mornings.as_of - 3), 0)::bigint as throws_3_days_at_least,
        coalesce(sum(counted.throws_at_most) filter (where counted.baseball_day >= mornings.as_of - 3), 0)::bigint as throws_3_days_at_most,
        coalesce(sum(counted.throws) filter (where counted.baseball_day >= mornings.as_of - 7), 0)::bigint as throws_7_days,
        coalesce(sum(counted.throws_at_least) filter (where counted.baseball_day >= mornings.as_of - 7), 0)::bigint as throws_7_days_at_least,
        coalesce(sum(counted.throws_at_most) filter (where counted.baseball_day >= mornings.as_of - 7), 0)::bigint as throws_7_days_at_most,
        coalesce(sum(counted.throws) filter (where counted.baseball_day >= mornings.as_of - 14), 0)::bigint as throws_14_days,
        coalesce(sum(counted.throws_at_least) filter (where counted.baseball_day >= mornings.as_of - 14), 0)::bigint as throws_14_days_at_least,
        coalesce(sum(counted.throws_at_most) filter (where counted.baseball_day >= mornings.as_of - 14), 0)::bigint as throws_14_days_at_most,
        coalesce(sum(counted.throws), 0)::bigint as throws_28_days,
        coalesce(sum(counted.throws_at_least), 0)::bigint as throws_28_days_at_least,
        coalesce(sum(counted.throws_at_most), 0)::bigint as throws_28_days_at_most,
        coalesce(sum(counted.throws_game), 0)::bigint as game_28_days,
        coalesce(sum(counted.throws_bullpen), 0)::bigint as bullpen_28_days,
        coalesce(sum(counted.throws_warm_up), 0)::bigint as warm_up_28_days
    from mornings
    inner join arms on arms.first_day < mornings.as_of
    left join counted
        on counted.arm = arms.arm and counted.baseball_day between mornings.as_of - 28 and mornings.as_of - 1
    group by mornings.as_of, arms.arm
)

select
    recent.as_of,
    recent.arm,
    recent.pitcher_name,
    recent.on_roster,
    latest.baseball_day as last_day,
    latest.throws as last_throws,
    latest.throws_at_least as last_throws_at_least,
    latest.throws_at_most as last_throws_at_most,
    recent.as_of - latest.baseball_day as days_since,
    latest_possible.baseball_day as last_possible_day,
    recent.throws_1_day,
    recent.throws_1_day_at_least,
    recent.throws_1_day_at_most,
    recent.throws_3_days,
    recent.throws_3_days_at_least,
    recent.throws_3_days_at_most,
    recent.throws_7_days,
    recent.throws_7_days_at_least,
    recent.throws_7_days_at_most,
    recent.throws_14_days,
    recent.throws_14_days_at_least,
    recent.throws_14_days_at_most,
    recent.throws_28_days,
    recent.throws_28_days_at_least,
    recent.throws_28_days_at_most,
    recent.game_28_days,
    recent.bullpen_28_days,
    recent.warm_up_28_days
from recent
asof left join thrown as latest on latest.arm = recent.arm and latest.baseball_day < recent.as_of
asof left join possible as latest_possible
    on latest_possible.arm = recent.arm and latest_possible.baseball_day < recent.as_of
