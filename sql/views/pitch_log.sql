-- What was thrown, by whom, in order? Start with this table: it has each pitch with its pitcher's name.
-- One row is one pitch.
-- pitch_id: the pitch (table pitches)
-- baseball_day: local date at the venue; the day changes at 4 am
-- season [year]: calendar year of the baseball day
-- month [month]: month of the baseball day
-- venue: the ballpark or practice field
-- station: the mound
-- occasion: game, scrimmage, bullpen or live_bp
-- session_id: the session (table sessions)
-- outing_id: the pitcher's work in the session (table outings)
-- pitch_number [pitches]: place in the session's order of pitches
-- thrown_at [UTC]: time of the reference clock; null if no tracker wrote a time of day
-- arm: the pitcher's player id; "label: ..." if the name is unresolved; "not named" if no tracker names the pitcher
-- pitcher_id: the player; null if the name is unresolved
-- pitcher_name: the player's name; the tracker's label if the name is unresolved
-- pitcher_hand: the throwing hand
-- on_roster: whether the player is on the roster
-- name_resolved: whether the label is resolved to a player
-- pitcher_conflict: whether trackers name different pitchers and no decision says who threw
-- batter_id: the batter (table players)
-- batter_side: the side of the plate that the batter hits from
-- inning [innings]: inning
-- half: top or bottom
-- outs [outs]: outs before the pitch
-- balls [balls]: balls before the pitch
-- strikes [strikes]: strikes before the pitch
-- pitch_type: pitch type; unknown if no tracker or operator named one
-- pitch_result: result of the pitch
-- plate_appearance_result: result of the plate appearance
-- seen_by [trackers]: trackers that saw it
-- trackers: their names, best rank first
-- match_probability [ratio]: probability that its sightings are one pitch, or that its only sighting has no partner
-- doubtful: whether the match is doubtful, so that a person should review it
-- release_speed_mph [mph]: speed at release
-- spin_rate_rpm [rpm]: total spin
-- induced_vertical_break_in [in]: vertical break, gravity out, positive up
-- horizontal_break_in [in]: horizontal break, positive to the catcher's right
-- plate_height_ft [ft]: height at the front edge of the plate
-- plate_side_ft [ft]: side at the front edge of the plate, positive to the catcher's right
-- exit_velocity_mph [mph]: exit velocity
-- launch_angle_deg [deg]: vertical angle off the bat
select
    pitches.pitch_id,
    pitches.baseball_day,
    pitches.season,
    pitches.month,
    pitches.venue,
    pitches.station,
    pitches.occasion,
    pitches.session_id,
    pitches.outing_id,
    pitches.pitch_number,
    pitches.thrown_at,
    coalesce(pitches.pitcher_id, 'label: ' || pitches.pitcher_label, 'not named') as arm,
    pitches.pitcher_id,
    coalesce(players.name, pitches.pitcher_label) as pitcher_name,
    pitches.pitcher_hand,
    coalesce(players.on_roster, false) as on_roster,
    pitches.pitcher_id is not null as name_resolved,
    pitches.pitcher_conflict,
    pitches.batter_id,
    pitches.batter_side,
    pitches.inning,
    pitches.half,
    pitches.outs,
    pitches.balls,
    pitches.strikes,
    coalesce(pitches.pitch_type, 'unknown') as pitch_type,
    pitches.pitch_result,
    pitches.plate_appearance_result,
    pitches.seen_by,
    pitches.trackers,
    pitches.match_probability,
    pitches.doubtful,
    pitches.release_speed_mph,
    pitches.spin_rate_rpm,
    pitches.induced_vertical_break_in,
    pitches.horizontal_break_in,
    pitches.plate_height_ft,
    pitches.plate_side_ft,
    pitches.exit_velocity_mph,
    pitches.launch_angle_deg
from pitches
left join players on players.player_id = pitches.pitcher_id
