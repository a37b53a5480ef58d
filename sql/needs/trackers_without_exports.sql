-- One row is one tracker of ledger.toml that never delivered an export.
select
    'delivery' as kind,
    format('{}: no export has ever arrived.', trackers.name) as problem,
    format('Put its exports into inbox/{}/.', trackers.tracker) as what_to_do
from trackers
anti join files on files.tracker = trackers.tracker
order by trackers.rank
