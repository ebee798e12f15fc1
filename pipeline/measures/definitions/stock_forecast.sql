-- One row an instrument that was taken into use or lies in stock. Months of 30 days are counted back from ${as_of};
-- the twelve latest count, or as many whole ones as there are since any instrument was first used.
with every_one as (
    select
        practice,
        instrument_id,
        size,
        motion,
        first_used_on,
        cast(null as varchar) as place
    from instrument_facts
    union all
    select
        i.practice,
        i.instrument_id,
        i.size,
        i.motion,
        cast(null as date) as first_used_on,
        case
            when i.retired_on is not null or i.retired_reason is not null then 'retired without a recorded use'
            when i.expires_on < date '${as_of}' then 'expired before it was used'
            when i.received_on > date '${as_of}' then 'not received yet'
            else 'in stock'
        end as place
    from instruments as i
    left join instrument_facts as f on f.practice = i.practice and f.instrument_id = i.instrument_id
    where f.instrument_id is null
),

aged as (
    select
        *,
        date_diff('day', first_used_on, date '${as_of}') as age,
        max(date_diff('day', first_used_on, date '${as_of}')) over () + 1 as known_days
    from every_one
),

counted as (
    select
        *,
        cast(floor(age / 30.0) as integer) as period,
        least(12, cast(floor(known_days / 30.0) as integer)) as periods,
        30 as period_days
    from aged
)

select
    practice,
    instrument_id,
    size,
    motion,
    date '${as_of}' as happened_on,
    period,
    periods,
    period_days,
    case
        when coalesce(periods, 0) < 1 then 'less than one month of uses is known'
        when place <> 'in stock' then place
        when place = 'in stock' then null
        when first_used_on is null then 'day of the first use not known'
        when period < 0 then 'first used after the day of the forecast'
        when period >= periods then 'first used before the months that are counted'
    end as left_out
from counted
