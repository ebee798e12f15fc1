select
    f.*,
    case i.inside when 1 then 'inside' when 0 then 'outside' end as indication,
    case when f.separations > 0 then 1 else 0 end as numerator,
    1 as denominator,
    f.patient_id as cluster,
    coalesce(
        i.without_indication,
        f.not_watched,
        case
            when f.kind not in ('primary', 'retreatment') then 'neither primary treatment nor retreatment'
            when i.inside is null then 'curvature or first binding size not recorded'
            when f.tooth_type is null or f.kind is null then 'tooth type or kind not recorded'
        end
    ) as left_out
from canal_facts as f
inner join canal_indication as i on i.practice = f.practice and i.treatment_id = f.treatment_id and i.canal = f.canal
