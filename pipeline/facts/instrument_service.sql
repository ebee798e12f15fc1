-- One row an instrument with recorded uses: may it have been used before the records of uses begin? Then nobody counted
-- its first uses, and its use numbers would count from a wrong 1. How many they were no record tells: cycles of
-- sterilisation are counted by the tooth, uses by the canal. So `earlier_uses` says why its use numbers are not known.
-- One that has had no more cycles than the teeth it is recorded in has no other uses; and one in service comes back within
-- 90 days (common practice, no source): what is seen later for the first time came from the stock.
with lives as (
    select
        u.practice,
        u.instrument_id,
        min(cast(coalesce(u.started_at, x.begun_at) as date)) as first_used_on,
        count(distinct u.treatment_id) as teeth
    from instrument_uses as u
    inner join canal_case_mix as x
        on x.practice = u.practice and x.treatment_id = u.treatment_id and x.canal = u.canal
    where u.instrument_id is not null
    group by u.practice, u.instrument_id
)

select
    l.practice,
    l.instrument_id,
    case
        when i.sterilisations <= l.teeth then null
        when not coalesce(l.first_used_on < b.first_day + interval '90' day, false) then null
        when i.received_on < b.first_day
            then 'received before the records of uses begin: how often it was used before is not known'
        when i.received_on is null
            then 'seen in the first 90 days of the records, day of reception not recorded: it may have been in use before'
    end as earlier_uses
from lives as l
inner join uses_begin as b on b.practice = l.practice
left join instruments as i on i.practice = l.practice and i.instrument_id = l.instrument_id
