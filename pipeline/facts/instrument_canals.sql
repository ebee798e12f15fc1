-- One row for each instrument in each canal it was taken into: its use number there, and what that use cost.
-- A use is one canal: an instrument taken into the same canal twice has one use there. `recorded_use_number` counts the
-- recorded uses; `use_number` is the same where they are all its uses, else not known (see instrument_service).
with taken as (
    select
        u.practice,
        u.instrument_id,
        u.treatment_id,
        u.canal,
        min(coalesce(u.started_at, x.begun_at)) as used_at,
        max(case when u.result in ('separated', 'deformed') then 1 else 0 end) as ended,
        max(case when u.result = 'separated' then 1 else 0 end) as separated,
        max(case when u.result is null then 1 else 0 end) as not_inspected,
        max(u.motion) as motion,
        max(u.size) as size,
        max(u.not_engine_driven) as not_engine_driven,
        -- Unknown as soon as one of the uses in this canal has no speed or no seconds.
        case
            when count(u.speed_rpm * u.seconds) = count(*) then sum(u.speed_rpm * u.seconds / 60.0)
        end as revolutions,
        string_agg(m.rules, '') as flags
    from use_base as u
    inner join canal_case_mix as x
        on x.practice = u.practice and x.treatment_id = u.treatment_id and x.canal = u.canal
    left join record_flags as m on m.kind = 'instrument_uses' and m.batch_id = u.batch_id and m.record_no = u.record_no
    where u.instrument_id is not null
    group by u.practice, u.instrument_id, u.treatment_id, u.canal
),

-- A separation that only the incidents know of ends the instrument's life as well.
reported as (
    select practice, instrument_id, treatment_id, canal
    from separation_events
    where use_id is null and instrument_id is not null
    group by practice, instrument_id, treatment_id, canal
),

numbered as (
    select
        k.practice,
        k.instrument_id,
        k.treatment_id,
        k.canal,
        k.used_at,
        case when r.instrument_id is not null then 1 else k.ended end as ended,
        case when r.instrument_id is not null then 1 else k.separated end as separated,
        case when r.instrument_id is not null then 0 else k.not_inspected end as not_inspected,
        k.motion,
        k.size,
        k.not_engine_driven,
        k.revolutions,
        coalesce(k.flags, '') as flags,
        row_number() over (
            partition by k.practice, k.instrument_id order by k.used_at, k.treatment_id, k.canal
        ) as use_number,
        count(*) over (partition by k.practice, k.instrument_id) as uses
    from taken as k
    left join reported as r
        on
            r.practice = k.practice
            and r.instrument_id = k.instrument_id
            and r.treatment_id = k.treatment_id
            and r.canal = k.canal
),

teeth as (
    select practice, instrument_id, count(*) as teeth
    from (select distinct practice, instrument_id, treatment_id from numbered) as each_tooth
    group by practice, instrument_id
)

select
    x.*,
    n.instrument_id,
    n.used_at,
    n.ended,
    n.separated,
    n.not_inspected,
    n.motion,
    n.size,
    n.not_engine_driven,
    w.not_watched,
    n.flags,
    n.use_number as recorded_use_number,
    case when s.earlier_uses is null then n.use_number end as use_number,
    s.earlier_uses,
    n.uses,
    e.teeth,
    -- The price is spread over the uses the limit allows, or over the actual ones where they are more; what an
    -- instrument retired early had left is charged to its last canal. Without a limit only a retired one is spread.
    case
        when i.price is null then null
        when i.use_limit is null and i.retired_on is null then null
        -- Uses that nobody recorded bore a part of the price that is not known. To leave out its last use alone, which
        -- bears what is left, would make the others too cheap.
        when s.earlier_uses is not null then null
        when i.use_limit is null or n.uses >= i.use_limit then i.price / n.uses
        when i.retired_on is not null and n.use_number = n.uses
            then i.price / i.use_limit * (1 + i.use_limit - n.uses)
        else i.price / i.use_limit
    end as price_share,
    -- One cycle a tooth where the cycles were not counted.
    coalesce(i.sterilisations, e.teeth) * cast(${sterilisation_cost} as double) / n.uses as sterilisation_share,
    i.use_limit,
    -- Only what rotates makes so many turns; how often a reciprocating instrument turns round, speed and time do not tell.
    case when n.motion = 'rotation' then n.revolutions end as revolutions,
    cast(n.used_at as date) as happened_on
from numbered as n
inner join canal_case_mix as x on x.practice = n.practice and x.treatment_id = n.treatment_id and x.canal = n.canal
inner join teeth as e on e.practice = n.practice and e.instrument_id = n.instrument_id
inner join instrument_service as s on s.practice = n.practice and s.instrument_id = n.instrument_id
left join instruments as i on i.practice = n.practice and i.instrument_id = n.instrument_id
left join results_recorded as w on w.practice = n.practice
