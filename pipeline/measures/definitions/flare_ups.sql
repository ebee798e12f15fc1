with teeth as (
    select
        practice,
        treatment_id,
        max(flare_up) as flare_up,
        sum(case when flare_up is null and days_known >= 7 then 1 else 0 end) as not_recorded,
        sum(case when flare_up is null then 1 else 0 end) as not_known
    from treatment_visits
    group by practice, treatment_id
)

select
    f.*,
    f.started_on as happened_on,
    t.flare_up as numerator,
    1 as denominator,
    f.patient_id as cluster,
    case
        when t.treatment_id is null then 'no visit recorded'
        when t.flare_up = 1 or t.not_known = 0 then null
        when t.not_recorded > 0 then 'reason of a visit not recorded'
        else 'last visit less than 7 days ago'
    end as left_out
from tooth_facts as f
left join teeth as t on t.practice = f.practice and t.treatment_id = f.treatment_id
