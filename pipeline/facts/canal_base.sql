-- One row a canal with its class of curvature (Schneider's angle; Schneider 1971). The published classes leave gaps
-- between them; an angle that falls into one is "unclassed", not moved to a neighbour.
select
    c.practice,
    c.treatment_id,
    c.canal,
    c.sequence,
    c.curvature_deg,
    case
        when c.curvature_deg is null then null
        when c.curvature_deg <= 5 then 'straight'
        when c.curvature_deg between 10 and 20 then 'moderate'
        when c.curvature_deg between 25 and 70 then 'severe'
        else 'unclassed'
    end as curvature_class,
    c.not_treated,
    c.started_at,
    c.finished_at,
    coalesce(m.rules, '') as flags
from canals as c
left join record_flags as m on m.kind = 'canals' and m.batch_id = c.batch_id and m.record_no = c.record_no
