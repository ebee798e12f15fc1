-- One row a physical instrument that was used: in how many canals and teeth, how it ended, until which use it is known.
with lives as (
    select
        practice,
        instrument_id,
        max(uses) as uses,
        max(teeth) as teeth,
        min(case when ended = 1 then recorded_use_number end) as ended_at_use,
        min(case when separated = 1 then recorded_use_number end) as separated_at_use,
        cast(min(used_at) as date) as first_used_on,
        cast(max(used_at) as date) as last_used_on,
        case when min(sequence) < max(sequence) then 'mixed' else min(sequence) end as sequence,
        case when min(dentist) < max(dentist) then 'mixed' else min(dentist) end as dentist,
        max(motion) as motion,
        max(size) as size,
        max(not_engine_driven) as not_engine_driven,
        max(case when not_inspected = 0 then recorded_use_number end) as last_inspected_use,
        max(earlier_uses) as earlier_uses,
        case when count(revolutions) = count(*) then sum(revolutions) end as revolutions,
        sum(case when curvature_class = 'straight' then revolutions else 0 end) as revolutions_straight,
        sum(case when curvature_class = 'moderate' then revolutions else 0 end) as revolutions_moderate,
        sum(case when curvature_class = 'severe' then revolutions else 0 end) as revolutions_severe,
        string_agg(flags, '') as flags
    from instrument_canals
    group by practice, instrument_id
)

select
    l.practice,
    l.instrument_id,
    coalesce(i.retired_on, l.last_used_on) as happened_on,
    l.sequence,
    l.dentist,
    coalesce(i.motion, l.motion) as motion,
    coalesce(i.size, l.size) as size,
    i.use_limit,
    i.retired_on,
    i.retired_reason,
    l.first_used_on,
    l.uses,
    l.teeth,
    -- Why these may not be all its uses, and its use numbers are not known.
    l.earlier_uses,
    l.not_engine_driven,
    -- Why it is not known how many uses the instrument was whole. What is found whole was whole before, and what broke is
    -- known to have broken: a use that nobody inspected hides nothing but what came after the last one inspected.
    case
        when w.result_missing = 1 and w.whole_recorded = 0
            then 'only faults are recorded, or no results at all: which instruments were found whole is not known'
        when l.ended_at_use is null and l.last_inspected_use is null then 'the result of no use is recorded'
    end as not_inspected,
    l.ended_at_use,
    -- How many uses it is known to have been watched for: until it ended, else until it was last found whole.
    coalesce(l.ended_at_use, l.last_inspected_use) as uses_watched,
    l.separated_at_use,
    -- Turns of a rotating instrument, known only where speed and seconds of every use are.
    l.revolutions,
    case when l.revolutions is not null then l.revolutions_straight end as revolutions_straight,
    case when l.revolutions is not null then l.revolutions_moderate end as revolutions_moderate,
    case when l.revolutions is not null then l.revolutions_severe end as revolutions_severe,
    l.flags || coalesce(m.rules, '') as flags
from lives as l
left join results_recorded as w on w.practice = l.practice
left join instruments as i on i.practice = l.practice and i.instrument_id = l.instrument_id
left join record_flags as m on m.kind = 'instruments' and m.batch_id = i.batch_id and m.record_no = i.record_no
