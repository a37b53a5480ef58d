-- One row is one tracker with exports that are missing from its inbox.
with gone as (
    select
        files.tracker,
        any_value(coalesce(trackers.name, files.tracker)) as name,
        count(*) as exports,
        min(files.file_name) as first_file,
        cast(min(timezone(coalesce(trackers.time_zone, 'UTC'), files.gone_since)) as date) as gone_since
    from files
    left join trackers on trackers.tracker = files.tracker
    where files.gone_since is not null
    group by files.tracker
)

select
    'gone' as kind,
    format(
        '{}: {:,} export{} missing from the inbox since {} (first: {}). The rows are kept.',
        name, exports, if(exports = 1, ' is', 's are'), strftime(gone_since, '%b %-d'), first_file
    ) as problem,
    format(
        'Put {} back, or add to decisions.csv: drop_export,{},{},,YOU,DATE,WHY{}',
        if(exports = 1, 'it', 'them'), tracker,
        if(regexp_matches(first_file, '[",\r\n]'), '"' || replace(first_file, '"', '""') || '"', first_file),
        if(exports = 1, '', ' (one line for each export, or one drop_matching_exports line; there, * matches any text)')
    ) as what_to_do
from gone
order by tracker
