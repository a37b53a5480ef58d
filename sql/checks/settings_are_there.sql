-- The settings that the views use are in table settings, once there is a pitch.
select required.setting
from (values ('gap_share'), ('doubtful_below'), ('merge_above')) as required (setting)
where required.setting not in (select setting from settings) and exists (select pitch_id from pitches)
