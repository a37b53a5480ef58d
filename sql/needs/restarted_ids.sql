-- One row is one tracker whose rows replaced rows of another day because both have the same id.
select
    'lost' as kind,
    format(
        '{}: {:,} row{} replaced by rows of another day with the same id.',
        any_value(coalesce(trackers.name, set_aside.tracker)), count(*), if(count(*) = 1, ' was', 's were')
    ) as problem,
    'The tracker''s ids restart. Remove native_id from its profile, or combine it with the date.' as what_to_do
from set_aside
left join trackers on trackers.tracker = set_aside.tracker
where
    set_aside.kind = 'superseded'
    and set_aside.why = 'a row of another day has the same id: the tracker may reuse its native ids'
group by set_aside.tracker
order by set_aside.tracker
