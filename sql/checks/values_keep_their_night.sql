-- Every value of pitch_values is on the night of its pitch.
-- Checked per night.
select pitch_values.pitch_id, pitch_values.metric, pitch_values.baseball_day
from pitch_values
left join pitches on pitches.pitch_id = pitch_values.pitch_id and pitches.baseball_day = pitch_values.baseball_day
where pitches.pitch_id is null
