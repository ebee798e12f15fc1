-- One row a treatment: whose tooth, which one, how hard a case. What a figure on teeth and visits is grouped by.
with recorded_canals as (
    select
        practice,
        treatment_id,
        case when min(sequence) < max(sequence) then 'mixed' else min(sequence) end as sequence
    from canal_base
    where not_treated is null
    group by practice, treatment_id
),

-- A tooth is as curved as its most curved canal.
most_curved as (
    select practice, treatment_id, curvature_class
    from (
        select
            practice,
            treatment_id,
            curvature_class,
            row_number() over (partition by practice, treatment_id order by curvature_deg desc, canal) as place
        from canal_base
        where curvature_deg is not null and not_treated is null
    ) as each_canal
    where place = 1
)

select
    t.practice,
    t.treatment_id,
    t.patient_id,
    t.dentist,
    c.sequence,
    t.tooth,
    case
        when t.tooth % 10 <= 2 then 'incisor'
        when t.tooth % 10 = 3 then 'canine'
        when t.tooth >= 50 then 'molar'
        when t.tooth % 10 <= 5 then 'premolar'
        else 'molar'
    end as tooth_type,
    case
        when t.tooth % 10 <= 3 then 'anterior'
        when t.tooth < 50 and t.tooth % 10 <= 5 then 'premolar'
        else 'molar'
    end as tooth_group,
    case
        when (t.tooth between 11 and 28) or (t.tooth between 51 and 65) then 'upper'
        else 'lower'
    end as arch,
    t.kind,
    case
        when t.preop_pai >= 3 or t.lesion_mm > 0 then 'yes'
        when t.preop_pai <= 2 or t.lesion_mm = 0 then 'no'
    end as lesion,
    k.curvature_class
from treatments as t
left join recorded_canals as c on c.practice = t.practice and c.treatment_id = t.treatment_id
left join most_curved as k on k.practice = t.practice and k.treatment_id = t.treatment_id
