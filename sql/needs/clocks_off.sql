-- One row is one tracker whose clock was off by more than two minutes, or by the daylight-saving hour, in the last week.
with off as (
    select
        clocks.tracker,
        clocks.baseball_day,
        clocks.reference_tracker,
        clocks.hour_slip,
        clocks.offset_start_s,
        cast(round(abs(clocks.offset_start_s)) as bigint) as seconds,
        count(distinct clocks.baseball_day) over (partition by clocks.tracker) as days
    from clocks
    where
        -- two minutes: a person sets these clocks by hand, so a minute is usual
        (clocks.hour_slip or abs(clocks.offset_start_s) > 120)
        and clocks.baseball_day >= (select week_began from last_night)
    qualify row_number() over (
        partition by clocks.tracker order by clocks.baseball_day desc, abs(clocks.offset_start_s) desc, clocks.file_id, clocks.native_session
    ) = 1
)

select
    'clock' as kind,
    format(
        '{}: clock was {}{} min {} s {} {} ({}){}.',
        coalesce(trackers.name, off.tracker),
        if(off.days > 1, format('off on {} days, most recently ', off.days), ''),
        off.seconds // 60, off.seconds % 60,
        if(off.offset_start_s > 0, 'ahead of', 'behind'),
        coalesce(others.name, off.reference_tracker),
        strftime(off.baseball_day, '%b %-d'),
        if(off.hour_slip, ', probably the daylight-saving hour', '')
    ) as problem,
    'Set the clock. Matching already corrects for it.' as what_to_do
from off
left join trackers on trackers.tracker = off.tracker
left join trackers as others on others.tracker = off.reference_tracker
order by off.tracker
