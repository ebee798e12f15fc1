-- One row a treatment: who, which tooth, how hard a case. Everything that a figure on teeth, canals or visits is grouped by.
with recorded_canals as (
    select
        practice,
        treatment_id,
        min(sequence) as first_sequence,
        max(sequence) as last_sequence,
        count(*) as canals_instrumented
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
),

instrumented as (
    select practice, treatment_id, count(*) as uses
    from instrument_uses
    group by practice, treatment_id
)

select
    t.practice,
    t.treatment_id,
    t.patient_id,
    t.dentist,
    t.kind,
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
    case
        when t.preop_pai >= 3 or t.lesion_mm > 0 then 'yes'
        when t.preop_pai <= 2 or t.lesion_mm = 0 then 'no'
    end as lesion,
    case
        when c.first_sequence = c.last_sequence then c.first_sequence
        when c.first_sequence <> c.last_sequence then 'mixed'
    end as sequence,
    k.curvature_class,
    t.preop_pai,
    t.started_on,
    t.completed_on,
    -- A day of completion tells that a treatment was completed, where nothing is said of its status.
    coalesce(t.status, case when t.completed_on is not null then 'completed' end) as status,
    -- Why the treatment does not count as completed, as far as its status tells.
    case
        when t.status = 'completed' or (t.status is null and t.completed_on is not null) then null
        when t.status is null then 'neither status nor day of completion recorded'
        when t.status = 'other' then 'another status: whether the treatment was completed is not known'
        else 'treatment not completed'
    end as still_open,
    -- Why the treatment is not one of those whose healing and loss are measured and compared.
    case
        when t.kind is null then 'kind of treatment not recorded'
        when t.kind not in ('primary', 'retreatment') then 'neither primary treatment nor retreatment'
    end as other_care,
    coalesce(c.canals_instrumented, 0) as canals_instrumented,
    coalesce(u.uses, 0) as uses,
    coalesce(m.rules, '') as flags
from treatments as t
left join recorded_canals as c on c.practice = t.practice and c.treatment_id = t.treatment_id
left join most_curved as k on k.practice = t.practice and k.treatment_id = t.treatment_id
left join instrumented as u on u.practice = t.practice and u.treatment_id = t.treatment_id
left join marked as m on m.kind = 'treatments' and m.batch_id = t.batch_id and m.record_no = t.record_no
