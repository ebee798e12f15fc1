-- One row a visit of a treatment: when it began and ended in true seconds, so that a visit over a change of the clock has
-- the minutes that passed. clock_in_doubt is 1 where a time lies in the hour that comes twice, or in the one that is left
-- out: which moment was meant cannot be told.
select
    v.practice,
    v.visit_id,
    v.treatment_id,
    v.seated_at,
    v.left_at,
    date_diff('second', timestamp '2000-01-01 00:00:00', v.seated_at) - s.utc_offset as seated_second,
    date_diff('second', timestamp '2000-01-01 00:00:00', v.left_at) - l.utc_offset as left_second,
    case when s.in_doubt or l.in_doubt then 1 else 0 end as clock_in_doubt
from visits as v
left join clock as s on v.seated_at >= s.begins and v.seated_at < s.ends
left join clock as l on v.left_at >= l.begins and v.left_at < l.ends
