-- How much has each arm thrown in the days before this morning?
-- One row is one arm, this morning by the venue's clock. For any other morning, ask view workload_as_of with its date.
-- These are counts and days, without limits or verdicts: how much is too much is for the governing body's rules, the athletic trainers
-- and the physicians.
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
select
    as_of,
    arm,
    pitcher_name,
    on_roster,
    last_day,
    last_throws,
    last_throws_at_least,
    last_throws_at_most,
    days_since,
    last_possible_day,
    throws_1_day,
    throws_1_day_at_least,
    throws_1_day_at_most,
    throws_3_days,
    throws_3_days_at_least,
    throws_3_days_at_most,
    throws_7_days,
    throws_7_days_at_least,
    throws_7_days_at_most,
    throws_14_days,
    throws_14_days_at_least,
    throws_14_days_at_most,
    throws_28_days,
    throws_28_days_at_least,
    throws_28_days_at_most,
    game_28_days,
    bullpen_28_days,
    warm_up_28_days
from workload_as_of
where as_of = (select cast(timezone(coalesce(min(time_zone order by rank), 'UTC'), now()) as date) from trackers)
