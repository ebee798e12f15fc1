-- One row a sitting: one patient in one chair, from being seated to leaving. Rows of several treatments in one visit,
-- and visits of one patient that overlap, are one sitting; minutes in which another patient's visit still held the
-- chair are not counted again. Summed over a chair, minutes are the union of its intervals.
with visits_once as (
    select
        v.practice,
        v.visit_id,
        coalesce('chair ' || v.chair, 'patient ' || b.patient_id, 'visit ' || v.visit_id) as place,
        coalesce(b.patient_id, 'treatment ' || v.treatment_id) as patient_id,
        min(v.seated_at) as seated_at,
        min(e.seated_second) as seated_second,
        max(e.left_second) as left_second,
        max(e.clock_in_doubt) as clock_in_doubt,
        max(v.booked_minutes) as booked_minutes,
        case when min(v.dentist) < max(v.dentist) then 'mixed' else min(v.dentist) end as dentist,
        case when min(b.sequence) < max(b.sequence) then 'mixed' else min(b.sequence) end as sequence,
        case when min(b.tooth_type) < max(b.tooth_type) then 'mixed' else min(b.tooth_type) end as tooth_type,
        case when min(b.tooth_group) < max(b.tooth_group) then 'mixed' else min(b.tooth_group) end as tooth_group,
        case when min(b.arch) < max(b.arch) then 'mixed' else min(b.arch) end as arch,
        case when min(b.kind) < max(b.kind) then 'mixed' else min(b.kind) end as kind,
        case when min(b.lesion) < max(b.lesion) then 'mixed' else min(b.lesion) end as lesion,
        case when min(b.curvature_class) < max(b.curvature_class) then 'mixed' else min(b.curvature_class) end as curvature_class,
        string_agg(coalesce(m.rules, ''), '') as flags
    from visits as v
    inner join visit_times as e
        on e.practice = v.practice and e.visit_id = v.visit_id and e.treatment_id = v.treatment_id
    left join treatment_case_mix as b on b.practice = v.practice and b.treatment_id = v.treatment_id
    left join record_flags as m on m.kind = 'visits' and m.batch_id = v.batch_id and m.record_no = v.record_no
    group by
        v.practice,
        v.visit_id,
        coalesce('chair ' || v.chair, 'patient ' || b.patient_id, 'visit ' || v.visit_id),
        coalesce(b.patient_id, 'treatment ' || v.treatment_id)
),

with_predecessor as (
    select
        *,
        max(left_second) over (
            partition by practice, place, patient_id
            order by seated_second, left_second, visit_id
            rows between unbounded preceding and 1 preceding
        ) as left_before
    from visits_once
),

numbered as (
    select
        *,
        sum(case when left_before is null or seated_second >= left_before then 1 else 0 end) over (
            partition by practice, place, patient_id
            order by seated_second, left_second, visit_id
            rows between unbounded preceding and current row
        ) as sitting
    from with_predecessor
),

sittings as (
    select
        practice,
        place,
        patient_id,
        sitting,
        min(visit_id) as visit_id,
        min(seated_at) as seated_at,
        min(seated_second) as seated_second,
        max(left_second) as left_second,
        max(clock_in_doubt) as clock_in_doubt,
        sum(left_second - seated_second) / 60.0 as recorded_minutes,
        -- Known only where every visit of the sitting was booked.
        case when count(booked_minutes) = count(*) then sum(booked_minutes) end as booked_minutes,
        case when min(dentist) = max(dentist) then min(dentist) else 'mixed' end as dentist,
        case when min(sequence) < max(sequence) then 'mixed' else min(sequence) end as sequence,
        case when min(tooth_type) < max(tooth_type) then 'mixed' else min(tooth_type) end as tooth_type,
        case when min(tooth_group) < max(tooth_group) then 'mixed' else min(tooth_group) end as tooth_group,
        case when min(arch) < max(arch) then 'mixed' else min(arch) end as arch,
        case when min(kind) < max(kind) then 'mixed' else min(kind) end as kind,
        case when min(lesion) < max(lesion) then 'mixed' else min(lesion) end as lesion,
        case when min(curvature_class) < max(curvature_class) then 'mixed' else min(curvature_class) end as curvature_class,
        string_agg(flags, '') as flags
    from numbered
    group by practice, place, patient_id, sitting
),

in_chair as (
    select
        *,
        max(left_second) over (
            partition by practice, place
            order by seated_second, left_second, patient_id
            rows between unbounded preceding and 1 preceding
        ) as occupied_until
    from sittings
)

select
    practice,
    visit_id,
    patient_id,
    cast(seated_at as date) as happened_on,
    dentist,
    sequence,
    tooth_type,
    tooth_group,
    arch,
    kind,
    lesion,
    curvature_class,
    flags,
    recorded_minutes,
    case
        when occupied_until is null or occupied_until <= seated_second then (left_second - seated_second) / 60.0
        when occupied_until >= left_second then 0.0
        else (left_second - occupied_until) / 60.0
    end as minutes,
    (left_second - seated_second) / 60.0 as in_chair_minutes,
    clock_in_doubt,
    booked_minutes
from in_chair
