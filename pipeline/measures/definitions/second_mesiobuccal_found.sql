with found as (
    select
        practice,
        treatment_id,
        count(*) as canals,
        max(case when canal = 'MB2' then 1 else 0 end) as second_mesiobuccal
    from canals
    group by practice, treatment_id
)

select
    b.*,
    coalesce(b.completed_on, b.started_on) as happened_on,
    k.second_mesiobuccal as numerator,
    1 as denominator,
    b.patient_id as cluster,
    case
        when b.still_open is not null then b.still_open
        when b.other_care is not null then b.other_care
        when k.canals is null then 'no canal recorded'
    end as left_out
from treatment_base as b
left join found as k on k.practice = b.practice and k.treatment_id = b.treatment_id
where b.tooth in (16, 26)
