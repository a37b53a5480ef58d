-- One row, if any pitch is a doubtful match.
select
    'doubtful' as kind,
    format(
        '{:,} {} on {:,} day{} {}.',
        count(*), if(count(*) = 1, 'pitch', 'pitches'), count(distinct baseball_day), if(count(distinct baseball_day) = 1, '', 's'),
        if(count(*) = 1, 'is a doubtful match', 'are doubtful matches')
    ) as problem,
    '`pitchledger review` shows each with the lines for decisions.csv.' as what_to_do
from pitches
where doubtful
having count(*) > 0
