-- One row is one export that could not be read, the latest first: where a page shows only a few, they are last night's.
select
    'file' as kind,
    format('{}/{} could not be read: {}.', files.tracker, files.file_name, rtrim(quarantine.reason, '.')) as problem,
    coalesce(upper(any_value(quarantine.fix)[1]) || rtrim(any_value(quarantine.fix)[2:], '.'), 'Export it again') || '.' as what_to_do
from quarantine
inner join files on files.tracker = quarantine.tracker and files.file_name = quarantine.file_name
where quarantine.level = 'file'
group by files.tracker, files.file_name, quarantine.reason
order by any_value(files.modified_at) desc, files.tracker, files.file_name
