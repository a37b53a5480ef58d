-- Why may an arm have thrown more or less often than is counted for it?
-- One row is one doubt about one arm on one baseball day: about one throw, or about throws that no usable record shows.
-- view throws_by_day makes throws_at_least and throws_at_most of these rows.
-- baseball_day: local date at the venue; the day changes at 4 am
-- arm: the player's id; "label: ..." if the name is unresolved; "not named" if no tracker names the pitcher
-- pitch_id: the pitch (table pitches); null if no pitch shows the throw
-- reason: other_arm (it counts here and may be another arm's), this_arm (it counts for another arm and may be this one's), match (two pitches may be one throw, or one pitch two throws), double_trigger (a tracker may have recorded one throw twice), unmatched_session (matching failed: view unmatched_sessions; or the station is unknown), no_pitch (view possible_non_pitches), lost_row (a record was not usable: table quarantine), missing_tracker (a tracker that usually sees this mound recorded less than half of the arm's throws, so an export may be missing)
-- too_many [pitches]: by how many the count may be too high
-- too_few [pitches]: by how many the count may be too low
-- expected [pitches]: how many of them are expected by their probabilities; null if they hang together and nothing says how likely it is
with log as materialized (
    select
        pitch_id,
        baseball_day,
        venue,
        station,
        session_id,
        arm,
        seen_by,
        trackers,
        match_probability
    from pitch_log
),

claims as materialized (
    select
        baseball_day,
        arm,
        pitch_id,
        claimant
    from throw_claims
),

non_pitches_possible as materialized (
    select distinct
        baseball_day,
        arm,
        pitch_id
    from possible_non_pitches
),

doubles as (
    select
        double_triggers.sighting_id,
        double_triggers.kept_sighting_id,
        double_triggers.probability,
        double_triggers.set_aside,
        sightings.pitch_id
    from double_triggers
    inner join sightings
        on sightings.sighting_id = case when double_triggers.set_aside then double_triggers.kept_sighting_id else double_triggers.sighting_id end
),

double_factors as (
    -- match_probability contains the doubt about double triggers, which has rows of its own here
    select
        pitch_id,
        min(factor) as factor
    from (
        select
            pitch_id,
            product(case when set_aside then probability else 1 - probability end) as factor
        from doubles
        group by pitch_id, case when set_aside then kept_sighting_id else sighting_id end
    )
    group by pitch_id
),

alone as (
    -- how likely a record of a merged pitch is alone after all; a swap of partners changes no count
    select
        sightings.pitch_id,
        avg(greatest(1 - coalesce(partners.probability, 0), 0)) as expected
    from sightings
    inner join log on log.pitch_id = sightings.pitch_id and log.seen_by = 2
    left join (
        select
            sighting_id,
            partner,
            sum(probability) as probability
        from (
            select sighting_a as sighting_id, tracker_b as partner, probability from match_pairs
            union all
            select sighting_b as sighting_id, tracker_a as partner, probability from match_pairs
        )
        group by sighting_id, partner
    ) as partners on partners.sighting_id = sightings.sighting_id and list_contains(string_split(log.trackers, ','), partners.partner)
    group by sightings.pitch_id
),

matches as (
    select
        log.baseball_day,
        log.arm,
        log.pitch_id,
        log.seen_by,
        least(
            greatest(1 - log.match_probability / greatest(coalesce(double_factors.factor, 1), 0.000001), 0), alone.expected
        ) as expected
    from log
    left join double_factors on double_factors.pitch_id = log.pitch_id
    left join alone on alone.pitch_id = log.pitch_id
),

unmatched as (
    -- the throws of the tracker that recorded most are sure; each other one may be one of them
    select
        session_id,
        arm,
        arg_max(tracker, (pitches_tracker, tracker)) as tracker
    from unmatched_sessions
    group by session_id, arm
),

unplaced as (
    -- a throw of unknown station was matched with nothing; it may be one that another tracker saw that day
    select
        unknown.pitch_id,
        unknown.baseball_day,
        unknown.arm
    from (
        select
            *,
            row_number() over (partition by venue, baseball_day, arm, trackers order by pitch_id) as number
        from log
        where station is null
    ) as unknown
    inner join (
        select
            venue,
            baseball_day,
            arm,
            trackers,
            count(*) as pitches
        from log
        where station is not null
        group by venue, baseball_day, arm, trackers
    ) as located
        on
            located.venue = unknown.venue and located.baseball_day = unknown.baseball_day and located.arm = unknown.arm
            and not list_contains(string_split(located.trackers, ','), unknown.trackers)
    group by unknown.pitch_id, unknown.baseball_day, unknown.arm, unknown.number
    having unknown.number <= sum(located.pitches)
),

-- records that were not usable: the pitches before and after them in the export show whose they may be
refused as (
    select distinct
        file_id,
        file_row
    from quarantine
    where level = 'row' and file_row is not null
),

around as (
    select
        refused.file_id,
        refused.file_row,
        earlier.pitch_id as pitch_before,
        later.pitch_id as pitch_after
    from refused
    asof left join sightings as earlier on earlier.file_id = refused.file_id and earlier.file_row < refused.file_row
    asof left join sightings as later on later.file_id = refused.file_id and later.file_row > refused.file_row
),

refused_groups as (
    select
        around.pitch_before,
        around.pitch_after,
        any_value(files.tracker) as tracker,
        count(*) as refused_rows
    from around
    inner join distinct_exports as files on files.file_id = around.file_id
    group by around.file_id, around.pitch_before, around.pitch_after
),

explained as (
    -- a pitch between the two that this tracker lacks is the lost one: it counts already
    select
        refused_groups.*,
        (
            select count(*)
            from pitches as between_them
            where
                between_them.session_id = before_it.session_id and after_it.session_id = before_it.session_id
                and between_them.pitch_number > least(before_it.pitch_number, after_it.pitch_number)
                and between_them.pitch_number < greatest(before_it.pitch_number, after_it.pitch_number)
                and not list_contains(string_split(between_them.trackers, ','), refused_groups.tracker)
        ) as seen_by_others
    from refused_groups
    left join pitches as before_it on before_it.pitch_id = refused_groups.pitch_before
    left join pitches as after_it on after_it.pitch_id = refused_groups.pitch_after
),

-- trackers that usually see a mound, and what they alone see there
arm_sessions as (
    select
        venue,
        station,
        baseball_day,
        arm,
        count(*) as pitches
    from log
    where station is not null
    group by venue, station, baseball_day, arm
),

coverage as (
    select
        arm_sessions.venue,
        arm_sessions.station,
        arm_sessions.baseball_day,
        arm_sessions.arm,
        trackers.tracker,
        arm_sessions.pitches,
        coalesce(saw.pitches, 0) as pitches_tracker,
        coalesce(saw.alone, 0) as alone,
        coalesce(saw.pitches, 0) >= settings.value * arm_sessions.pitches as is_covered
    from arm_sessions
    inner join settings on settings.setting = 'gap_share'
    inner join (
        select distinct
            venue,
            station,
            unnest(string_split(trackers, ',')) as tracker
        from (select distinct venue, station, trackers from pitches)
    ) as trackers on trackers.venue = arm_sessions.venue and trackers.station = arm_sessions.station
    left join (
        select
            venue,
            station,
            baseball_day,
            arm,
            tracker,
            count(*) as pitches,
            sum(alone) as alone
        from (
            select
                venue,
                station,
                baseball_day,
                arm,
                case when seen_by = 1 and pitch_id not in (select pitch_id from non_pitches_possible) then match_probability else 0 end as alone,
                unnest(string_split(trackers, ',')) as tracker
            from log
        )
        group by venue, station, baseball_day, arm, tracker
    ) as saw
        on
            saw.venue = arm_sessions.venue and saw.station = arm_sessions.station and saw.baseball_day = arm_sessions.baseball_day
            and saw.arm = arm_sessions.arm and saw.tracker = trackers.tracker
),

usual_trackers as (
    -- what a tracker alone sees shows only where another tracker was at work, too
    select
        venue,
        station,
        tracker,
        -- plus one: a rate from few nights promises nothing (rule of succession)
        (1 + sum(alone) filter (where is_covered and trackers_covering > 1))
        / sum(pitches - alone) filter (where is_covered and trackers_covering > 1) as alone_share
    from (
        select
            *,
            count(*) filter (where is_covered) over (partition by venue, station, baseball_day, arm) as trackers_covering
        from coverage
    )
    group by venue, station, tracker
    having 2 * count(*) filter (where is_covered) >= count(*)
)

select
    baseball_day,
    arm,
    pitch_id,
    'other_arm' as reason,
    1 as too_many,
    0 as too_few,
    null::double as expected
from claims
group by baseball_day, arm, pitch_id
union all
select
    baseball_day,
    claimant as arm,
    pitch_id,
    'this_arm' as reason,
    0 as too_many,
    1 as too_few,
    null as expected
from claims
union all
select
    baseball_day,
    arm,
    pitch_id,
    'match' as reason,
    (seen_by = 1)::integer as too_many,
    (seen_by > 1)::integer as too_few,
    expected
from matches
where expected > 0
union all
select
    log.baseball_day,
    log.arm,
    log.pitch_id,
    'double_trigger' as reason,
    (not doubles.set_aside)::integer as too_many,
    doubles.set_aside::integer as too_few,
    case when doubles.set_aside then 1 - doubles.probability else doubles.probability end as expected
from doubles
inner join log on log.pitch_id = doubles.pitch_id
where not doubles.set_aside or doubles.probability < 1
union all
select
    log.baseball_day,
    log.arm,
    log.pitch_id,
    'unmatched_session' as reason,
    1 as too_many,
    0 as too_few,
    null as expected
from unmatched
inner join log on log.session_id = unmatched.session_id and log.arm = unmatched.arm
where not list_contains(string_split(log.trackers, ','), unmatched.tracker)
union all
select
    baseball_day,
    arm,
    pitch_id,
    'unmatched_session' as reason,
    1 as too_many,
    0 as too_few,
    null as expected
from unplaced
union all
select
    baseball_day,
    arm,
    pitch_id,
    'no_pitch' as reason,
    1 as too_many,
    0 as too_few,
    null as expected
from non_pitches_possible
union all
select
    log.baseball_day,
    log.arm,
    null as pitch_id,
    'lost_row' as reason,
    0 as too_many,
    max(explained.refused_rows - explained.seen_by_others) as too_few,
    null as expected
from explained
inner join log on log.pitch_id in (explained.pitch_before, explained.pitch_after)
where explained.refused_rows > explained.seen_by_others
group by log.baseball_day, log.arm, explained.pitch_before, explained.pitch_after
union all
select
    coverage.baseball_day,
    coverage.arm,
    null as pitch_id,
    'missing_tracker' as reason,
    0 as too_many,
    coverage.pitches as too_few,
    usual_trackers.alone_share * (coverage.pitches - coverage.pitches_tracker) as expected
from coverage
inner join usual_trackers
    on usual_trackers.venue = coverage.venue and usual_trackers.station = coverage.station and usual_trackers.tracker = coverage.tracker
where 2 * coverage.pitches_tracker < coverage.pitches and usual_trackers.alone_share is not null
