select
    v.practice,
    v.visit_id,
    b.patient_id,
    cast(v.seated_at as date) as happened_on,
    v.dentist,
    b.sequence,
    b.tooth,
    b.tooth_type,
    b.tooth_group,
    b.arch,
    b.kind,
    b.lesion,
    b.curvature_class,
    coalesce(m.rules, '') as flags,
    b.patient_id as cluster,
    case when v.rubber_dam then 1 when not v.rubber_dam then 0 end as met,
    case when b.treatment_id is null then 'the visit''s treatment is not in the store' end as left_out
from visits as v
left join treatment_base as b on b.practice = v.practice and b.treatment_id = v.treatment_id
left join record_flags as m on m.kind = 'visits' and m.batch_id = v.batch_id and m.record_no = v.record_no
