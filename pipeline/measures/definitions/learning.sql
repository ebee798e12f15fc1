-- One row a case: one tooth that a dentist treated with a sequence, numbered from the first. Cases without times count
-- in the numbering: they were experience as well. The plateau is what comes after the fiftieth.
with cases as (
    select
        practice,
        treatment_id,
        sequence,
        min(dentist) as dentist,
        min(patient_id) as patient_id,
        min(tooth) as tooth,
        min(tooth_type) as tooth_type,
        min(tooth_group) as tooth_group,
        min(arch) as arch,
        min(kind) as kind,
        min(lesion) as lesion,
        min(happened_on) as happened_on,
        avg(case when basis = 'measured' then minutes end) as value,
        string_agg(flags, '') as flags
    from canal_facts
    group by practice, treatment_id, sequence
),

numbered as (
    select
        *,
        row_number() over (
            partition by practice, dentist, sequence order by happened_on, treatment_id
        ) as case_number,
        count(*) over (partition by practice, dentist, sequence) as all_cases
    from cases
),

in_tens as (
    select
        *,
        case when case_number <= 50 then cast(floor((case_number - 1) / 10.0) as integer) * 10 + 1 end as first_case
    from numbered
)

select
    *,
    patient_id as cluster,
    coalesce(cast(first_case as varchar) || '-' || cast(first_case + 9 as varchar), 'plateau') as cases,
    case
        when dentist is null then 'dentist not known'
        when sequence is null then 'sequence not recorded'
        when all_cases < 60 then 'fewer than 60 cases with the sequence: no plateau to compare with'
        when value is null then 'no canal of the tooth has times of its own'
        when value <= 0 then 'canal times without length'
    end as left_out
from in_tens
