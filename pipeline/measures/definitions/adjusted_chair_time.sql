select
    f.*,
    b.canals_instrumented as canals,
    f.minutes as value,
    f.patient_id as cluster,
    case
        when f.basis is null then 'neither canal times nor a visit to estimate them from'
        when f.basis <> 'measured' then 'estimated from the visit, not measured'
        when f.minutes <= 0 then 'canal times without length'
        when f.kind not in ('primary', 'retreatment') then 'neither primary treatment nor retreatment'
        when f.tooth_type is null or f.kind is null then 'tooth type or kind of treatment not known'
    end as left_out
from canal_facts as f
left join treatment_base as b on b.practice = f.practice and b.treatment_id = f.treatment_id
