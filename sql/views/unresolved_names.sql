-- Which pitcher or batter labels need a decision (decisions.csv)?
-- One row is one label of one tracker.
-- tracker: the tracker
-- label: the name as the tracker writes it
-- native_id: the tracker's own id of the player
-- sightings [rows]: sightings with it
-- proposal: the proposed player, or several joined by "or"
-- proposed_name: the name of the proposed player; null for several
-- score: similarity to the proposed name, 0 to 100
select
    name_matches.tracker,
    name_matches.label,
    name_matches.native_id,
    name_matches."rows" as sightings,
    name_matches.proposal,
    players.name as proposed_name,
    name_matches.score
from name_matches
left join players on players.player_id = name_matches.proposal
where name_matches.needs_person
