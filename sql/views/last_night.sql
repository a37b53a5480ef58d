-- Which baseball day was the last night, and when did its week begin?
-- One row is the answer. Pitches dated after the last run are left out: a device whose clock is years ahead must not hide what is new.
-- baseball_day: the last baseball day with pitches; null where there are none
-- week_began: six days before; a date long ago where there are no pitches
select
    max(baseball_day) as baseball_day,
    coalesce(max(baseball_day) - 6, date '0001-01-01') as week_began
from pitches
where baseball_day <= (select cast(timezone('UTC', max(started_at)) as date) + 1 from runs)
