-- One row is one line of decisions.csv that has no effect.
select
    'decision' as kind,
    format('decisions.csv: {} {} has no effect: it {}.', kind, subject, rtrim(note, '.')) as problem,
    'Correct the line, or delete it.' as what_to_do
from decisions
where note is not null
order by decisions.kind, subject, "object", tracker, "by", "on", why, note
