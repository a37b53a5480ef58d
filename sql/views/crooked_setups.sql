-- Which device stood crooked on which night, and what should be turned or moved?
-- One row is one way in which a tracker's frame lay off another's by more than chance and enough to matter.
-- tracker_a: the tracker of better rank, whose frame is taken for straight
-- tracker_b: the other tracker
-- baseball_day: local date at the venue; null: all nights together
-- quantity: what is off: aim_deg, tilt_deg, roll_deg, side_in, height_in, distance_in or scale
-- value [as the quantity's name says]: by how much
-- low [as the quantity's name says]: lower end of its 95 % interval
-- high [as the quantity's name says]: upper end of its 95 % interval
-- at_rubber_in [in]: what a turn makes at the rubber
-- n [pitches]: pitches that both saw
-- sentence: the same in words that a person can act on
select
    tracker_a,
    tracker_b,
    baseball_day,
    quantity,
    value,
    low,
    high,
    at_rubber_in,
    n,
    sentence
from setup
where crooked
