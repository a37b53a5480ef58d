-- One row is one label of one tracker that needs your decision. Spellings of one name are one need: `pitchledger status` joins them and
-- words the problem, because comparing names takes more than SQL.
select
    coalesce(label, native_id) as label,
    label is null as is_number,
    how,
    player_id,
    proposal,
    tracker,
    sum("rows")::bigint as label_rows
from name_matches
where needs_person
group by all
order by label_rows desc, label, tracker
