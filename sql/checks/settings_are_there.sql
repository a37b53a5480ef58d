-- The settings that the views go by are in table settings, once there is a pitch.
select wanted.setting
from (values ('gap_share'), ('doubtful_below'), ('merge_above')) as wanted (setting)
where wanted.setting not in (select setting from settings) and exists (select pitch_id from pitches)
