-- Which other arm may have thrown a pitch than the one that it counts for?
-- One row is one pitch and one other arm. A thrown_by line in decisions.csv settles a pitch, and its claims end.
-- pitch_id: the pitch (table pitches)
-- baseball_day: local date at the venue; the day changes at 4 am
-- arm: the arm that the pitch counts for
-- claimant: the other arm
-- reason: conflict (trackers name different pitchers), stale_label (the label looks like another pitcher's: table label_runs), similar_name (the label may be this player: view unresolved_names), same_label (most throws with this label are this player's, as another tracker names them), unnamed (no tracker names the pitcher; this arm threw right before or after), neighbor (the pitch before or after may be this arm's, and no second tracker names the pitcher of this one, or the label there looks stale)
with named as (
    -- what each tracker's label means; open labels mean nobody yet
    select
        sightings.pitch_id,
        sightings.tracker,
        sightings.pitcher_id,
        sightings.pitcher_label,
        sightings.pitcher_native_id,
        pitch_log.arm
    from sightings
    inner join pitch_log on pitch_log.pitch_id = sightings.pitch_id
    inner join pitches on pitches.pitch_id = sightings.pitch_id
    where
        coalesce(sightings.pitcher_label, sightings.pitcher_native_id, sightings.pitcher_id) is not null
        and coalesce(pitches.pitcher_by, 'label') <> 'person'
),

open_labels as (
    select distinct
        tracker,
        label,
        native_id,
        unnest(string_split(proposal, ' or ')) as candidate
    from name_matches
    where needs_person and proposal is not null
),

other_names as (
    -- how another tracker names the throws that carry an open label
    select
        unresolved.tracker,
        unresolved.pitcher_label as label,
        unresolved.pitcher_native_id as native_id,
        others.pitcher_id as candidate,
        count(distinct unresolved.pitch_id) as pitches
    from named as unresolved
    inner join named as others on others.pitch_id = unresolved.pitch_id and others.tracker <> unresolved.tracker
    where unresolved.pitcher_id is null
    group by unresolved.tracker, unresolved.pitcher_label, unresolved.pitcher_native_id, others.pitcher_id
    qualify 2 * count(distinct unresolved.pitch_id) >= sum(count(distinct unresolved.pitch_id)) over (
        partition by unresolved.tracker, unresolved.pitcher_label, unresolved.pitcher_native_id
    )
),

candidates as (
    select tracker, label, native_id, candidate, 'similar_name' as reason from open_labels
    union all
    select tracker, label, native_id, candidate, 'same_label' as reason
    from other_names
    where candidate is not null
),

labeled as (
    select
        named.pitch_id,
        named.arm,
        named.tracker,
        candidates.candidate,
        candidates.reason,
        -- whether the label fits the arm that the pitch counts for: then it says nothing new
        named.pitcher_id = named.arm and candidates.reason = 'same_label'
        or bool_or(candidates.candidate = named.arm) over (partition by named.pitch_id, named.tracker) as fits
    from named
    inner join candidates
        on
            candidates.tracker = named.tracker and candidates.label is not distinct from named.pitcher_label
            and candidates.native_id is not distinct from named.pitcher_native_id
),

unnamed as (
    -- the named pitches before and after one without a name
    select
        pitch_id,
        last_value(case when arm <> 'not named' then pitch_id end ignore nulls) over before_it as pitch_before,
        first_value(case when arm <> 'not named' then pitch_id end ignore nulls) over after_it as pitch_after
    from pitch_log
    window
        before_it as (partition by session_id order by pitch_number rows between unbounded preceding and current row),
        after_it as (partition by session_id order by pitch_number rows between current row and unbounded following)
    qualify arm = 'not named'
),

claims as materialized (
    select pitch_id, pitcher_id as claimant, 'conflict' as reason
    from named
    where pitcher_id is not null
    union all
    -- an open label without a candidate, on a pitch that another tracker names
    select named.pitch_id, 'label: ' || named.pitcher_label as claimant, 'conflict' as reason
    from named
    anti join candidates
        on
            candidates.tracker = named.tracker and candidates.label is not distinct from named.pitcher_label
            and candidates.native_id is not distinct from named.pitcher_native_id
    where named.pitcher_id is null
    union all
    select pitch_id, candidate as claimant, reason
    from labeled
    where not coalesce(fits, false)
    union all
    select sightings.pitch_id, stale.proposed_player_id as claimant, 'stale_label' as reason
    from (
        select
            proposed_player_id,
            unnest(string_split(sighting_ids, ',')) as sighting_id
        from label_runs
    ) as stale
    inner join sightings on sightings.sighting_id = stale.sighting_id
),

two_names as (
    -- the arms that the pitches with two names before and after a pitch may be of
    select
        pitch_log.session_id,
        pitch_log.inning,
        pitch_log.half,
        pitch_log.pitch_number,
        pitch_log.seen_by,
        pitch_log.pitch_id,
        case when pitch_log.seen_by > 1 then list_sort(list_distinct(list(claims.claimant) || [pitch_log.arm])) end as arms
    from pitch_log
    left join claims on claims.pitch_id = pitch_log.pitch_id and claims.reason in ('conflict', 'stale_label')
    group by
        pitch_log.session_id, pitch_log.inning, pitch_log.half, pitch_log.pitch_number, pitch_log.seen_by, pitch_log.pitch_id, pitch_log.arm
),

neighbors as (
    select
        pitch_id,
        unnest(coalesce(arms_before, []) || coalesce(arms_after, [])) as claimant
    from (
        select
            pitch_id,
            seen_by,
            last_value(arms ignore nulls) over before_it as arms_before,
            first_value(arms ignore nulls) over after_it as arms_after
        from two_names
        window
            before_it as (partition by session_id, inning, half order by pitch_number rows between unbounded preceding and 1 preceding),
            after_it as (partition by session_id, inning, half order by pitch_number rows between 1 following and unbounded following)
    )
    where seen_by = 1 and greatest(len(arms_before), len(arms_after)) > 1
),

edges as (
    -- where a stale label begins and ends is known to a pitch
    select
        next_to_it.pitch_id,
        claims.claimant
    from claims
    inner join pitch_log as stale on stale.pitch_id = claims.pitch_id
    inner join pitch_log as next_to_it
        on
            next_to_it.session_id = stale.session_id and next_to_it.arm = stale.arm
            and next_to_it.pitch_number between stale.pitch_number - 1 and stale.pitch_number + 1
            and next_to_it.inning is not distinct from stale.inning and next_to_it.half is not distinct from stale.half
    where claims.reason = 'stale_label'
),

all_claims as (
    select pitch_id, claimant, reason from claims
    union all
    select
        unnamed.pitch_id,
        unnest([pitch_log.arm] || coalesce(list(claims.claimant), [])) as claimant,
        'unnamed' as reason
    from unnamed
    inner join pitch_log on pitch_log.pitch_id in (unnamed.pitch_before, unnamed.pitch_after)
    left join claims on claims.pitch_id = pitch_log.pitch_id
    group by unnamed.pitch_id, pitch_log.pitch_id, pitch_log.arm
    union all
    select pitch_id, claimant, 'neighbor' as reason from edges
    union all
    select pitch_id, claimant, 'neighbor' as reason from neighbors
)

select
    pitch_log.pitch_id,
    pitch_log.baseball_day,
    pitch_log.arm,
    claims.claimant,
    min(claims.reason) as reason
from all_claims as claims
inner join pitch_log on pitch_log.pitch_id = claims.pitch_id
where claims.claimant <> pitch_log.arm
group by pitch_log.pitch_id, pitch_log.baseball_day, pitch_log.arm, claims.claimant
