-- One row is one tracker and field with words that its profile does not list.
select
    'label' as kind,
    format(
        '{}: {:,} row{} {} words that the profile does not list: {}.',
        any_value(coalesce(trackers.name, unknown_labels.tracker)), sum(unknown_labels."rows")::bigint,
        if(sum(unknown_labels."rows") = 1, ' has', 's have'), unknown_labels.field,
        string_agg(unknown_labels.label, ', ' order by unknown_labels."rows" desc, unknown_labels.label)
    ) as problem,
    format('Add them to [labels.{}] words in the profile.', unknown_labels.field) as what_to_do
from unknown_labels
left join trackers on trackers.tracker = unknown_labels.tracker
group by unknown_labels.tracker, unknown_labels.field
order by unknown_labels.tracker, unknown_labels.field
