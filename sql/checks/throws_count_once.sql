-- The throws of all arms on all days are the pitches, no more and no fewer.
-- A night keeps it by itself.
select counted.throws, there.pitches
from (select coalesce(sum(throws), 0)::bigint as throws from throws_by_day) as counted
cross join (select count(*) as pitches from pitches) as there
where counted.throws <> there.pitches
