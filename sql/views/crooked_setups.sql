-- Which device was set up crooked on which night, and how should it be turned or moved?
-- One row is one quantity of a tracker's frame that differs from another's by more than chance and enough to matter.
-- tracker_a: the tracker with the better rank, whose frame counts as straight
-- tracker_b: the other tracker
-- baseball_day: local date at the venue; null: all nights together
-- quantity: what is off: aim_deg, tilt_deg, roll_deg, side_in, height_in, distance_in or scale
-- value [as the quantity's name says]: by how much
-- low [as the quantity's name says]: lower end of its 95 % interval
-- high [as the quantity's name says]: upper end of its 95 % interval
-- at_rubber_in [in]: how far a turn moves a point at the rubber
-- n [pitches]: pitches that both saw
-- sentence: the finding as a sentence, with what to do
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
