select
    f.*,
    case i.inside when 1 then 'inside' when 0 then 'outside' end as indication,
    f.minutes as value,
    f.patient_id as cluster,
    coalesce(
        i.without_indication,
        case
            when i.inside is null then 'curvature or first binding size not recorded'
            when f.basis is null then 'neither canal times nor a visit to estimate them from'
        end
    ) as left_out
from canal_facts as f
inner join canal_indication as i on i.practice = f.practice and i.treatment_id = f.treatment_id and i.canal = f.canal
