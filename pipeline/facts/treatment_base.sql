-- One row a treatment with its case mix: when, and how far it came.
with recorded_canals as (
    select practice, treatment_id, count(*) as canals_instrumented
    from canal_base
    where not_treated is null
    group by practice, treatment_id
),

instrumented as (
    select practice, treatment_id, count(*) as uses
    from instrument_uses
    group by practice, treatment_id
)

select
    x.*,
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
        when x.kind is null then 'kind of treatment not recorded'
        when x.kind not in ('primary', 'retreatment') then 'neither primary treatment nor retreatment'
    end as other_care,
    coalesce(c.canals_instrumented, 0) as canals_instrumented,
    coalesce(u.uses, 0) as uses,
    coalesce(m.rules, '') as flags
from treatments as t
inner join treatment_case_mix as x on x.practice = t.practice and x.treatment_id = t.treatment_id
left join recorded_canals as c on c.practice = t.practice and c.treatment_id = t.treatment_id
left join instrumented as u on u.practice = t.practice and u.treatment_id = t.treatment_id
left join record_flags as m on m.kind = 'treatments' and m.batch_id = t.batch_id and m.record_no = t.record_no
