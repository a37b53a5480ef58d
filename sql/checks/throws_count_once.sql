-- The throws of all pitchers on all days add up to the number of pitches.
-- Checked per night.
select counted.throws, found.pitches
from (select coalesce(sum(throws), 0)::bigint as throws from (select count(*) as throws from pitch_log group by baseball_day, arm)) as counted
cross join (select count(*) as pitches from pitches) as found
where counted.throws <> found.pitches
