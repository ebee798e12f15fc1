-- One row a canal that any record names: its tooth, how hard a case. What a figure on canals and what was used in them is
-- grouped by; facts join it once. Incidents that name no canal have one as well (canal is null), with the sequence of the
-- tooth. begun_at: when work on it began, the day of the treatment where no time of the canal is recorded.
with each_canal as (
    select practice, treatment_id, canal
    from canals
    union
    select practice, treatment_id, canal
    from instrument_uses
    union
    select practice, treatment_id, canal
    from incidents
)

select
    e.practice,
    e.treatment_id,
    e.canal,
    b.patient_id,
    b.dentist,
    case when e.canal is null then b.sequence else c.sequence end as sequence,
    b.tooth,
    b.tooth_type,
    b.tooth_group,
    b.arch,
    b.kind,
    b.lesion,
    c.curvature_class,
    c.curvature_deg,
    coalesce(c.started_at, cast(b.started_on as timestamp)) as begun_at,
    coalesce(b.flags, '') as treatment_flags
from each_canal as e
left join treatment_base as b on b.practice = e.practice and b.treatment_id = e.treatment_id
left join canal_base as c on c.practice = e.practice and c.treatment_id = e.treatment_id and c.canal = e.canal
