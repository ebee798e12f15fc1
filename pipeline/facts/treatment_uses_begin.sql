-- One row a treatment with recorded uses of instruments: the day of the first.
select
    u.practice,
    u.treatment_id,
    min(cast(coalesce(u.started_at, x.begun_at) as date)) as first_day
from instrument_uses as u
inner join canal_case_mix as x
    on x.practice = u.practice and x.treatment_id = u.treatment_id and x.canal = u.canal
group by u.practice, u.treatment_id
