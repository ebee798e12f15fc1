-- One row an instrumented canal: measured or estimated minutes, instruments, cost, separations.
with treated as (
    select
        c.practice,
        c.treatment_id,
        c.canal,
        -- True minutes, also over a change of the clock; none where a time may mean two moments, or none (see visit_times).
        case
            when s.in_doubt or f.in_doubt then null
            else (date_diff('second', c.started_at, c.finished_at) - (f.utc_offset - s.utc_offset)) / 60.0
        end as measured_minutes,
        case when s.in_doubt or f.in_doubt then 1 else 0 end as clock_in_doubt,
        c.flags
    from canal_base as c
    left join clock as s on c.started_at >= s.begins and c.started_at < s.ends
    left join clock as f on c.finished_at >= f.begins and c.finished_at < f.ends
    where c.not_treated is null
),

turning as (
    select practice, treatment_id, canal, sum(seconds) as seconds
    from instrument_uses
    group by practice, treatment_id, canal
),

visits_in_doubt as (
    select practice, treatment_id, max(clock_in_doubt) as clock_in_doubt
    from visit_times
    group by practice, treatment_id
),

visit_minutes as (
    select
        practice,
        visit_id,
        case when max(clock_in_doubt) = 0 then (max(left_second) - min(seated_second)) / 60.0 end as minutes
    from visit_times
    group by practice, visit_id
),

-- Every canal that may have been worked on in a visit, with the seconds its instruments turned.
worked_on as (
    select
        v.practice,
        v.visit_id,
        t.treatment_id,
        t.canal,
        t.measured_minutes,
        s.seconds,
        sum(s.seconds) over (partition by v.practice, v.visit_id) as all_seconds,
        count(*) over (partition by v.practice, v.visit_id) as canals,
        count(s.seconds) over (partition by v.practice, v.visit_id) as canals_with_seconds,
        count(t.measured_minutes) over (partition by v.practice, v.visit_id) as canals_measured
    from (select distinct practice, visit_id, treatment_id from visits) as v
    inner join treated as t on t.practice = v.practice and t.treatment_id = v.treatment_id
    left join turning as s on s.practice = t.practice and s.treatment_id = t.treatment_id and s.canal = t.canal
),

-- Only where no canal of the visit was measured: measured and estimated minutes are never mixed in one visit.
estimated as (
    select
        w.practice,
        w.treatment_id,
        w.canal,
        sum(
            case
                when w.canals_with_seconds = w.canals and w.all_seconds > 0
                    then m.minutes * w.seconds / w.all_seconds
                else m.minutes / w.canals
            end
        ) as minutes
    from worked_on as w
    inner join visit_minutes as m on m.practice = w.practice and m.visit_id = w.visit_id
    where w.canals_measured = 0
    group by w.practice, w.treatment_id, w.canal
),

consumed as (
    select
        practice,
        treatment_id,
        canal,
        sum(case when instrument_id is null then 1 else 0 end) as untracked_uses,
        sum(case when instrument_id is null and size is null then 1 else 0 end) as unnamed_uses
    from use_base
    group by practice, treatment_id, canal
),

cost as (
    select
        practice,
        treatment_id,
        canal,
        sum(price_share + sterilisation_share) as cost,
        sum(case when price_share is null then 1 else 0 end) as without_price
    from instrument_canals
    group by practice, treatment_id, canal
),

separated as (
    select practice, treatment_id, canal, count(*) as separations
    from separation_events
    group by practice, treatment_id, canal
),

-- What is doubtful of an incident is doubtful of the canal it happened in.
incident_flags as (
    select i.practice, i.treatment_id, i.canal, string_agg(m.rules, '') as rules
    from incidents as i
    inner join record_flags as m on m.kind = 'incidents' and m.batch_id = i.batch_id and m.record_no = i.record_no
    group by i.practice, i.treatment_id, i.canal
)

select
    x.*,
    cast(x.begun_at as date) as happened_on,
    t.flags || x.treatment_flags || coalesce(i.rules, '') as flags,
    case
        when t.measured_minutes is not null then 'measured'
        when e.minutes is not null then 'estimated'
    end as basis,
    coalesce(t.measured_minutes, e.minutes) as minutes,
    greatest(t.clock_in_doubt, coalesce(v.clock_in_doubt, 0)) as clock_in_doubt,
    n.untracked_uses,
    -- Uses that name neither serial nor size: how many instruments they were is not known.
    n.unnamed_uses,
    k.cost,
    k.without_price,
    coalesce(s.separations, 0) as separations,
    w.not_watched,
    h.uses,
    h.uses_with_seconds,
    h.seconds as instrument_seconds,
    h.engine_seconds,
    h.ends_untimed,
    h.minutes as shaping_minutes,
    h.gaps as shaping_gaps,
    h.gap_minutes as shaping_gap_minutes
from treated as t
inner join canal_case_mix as x on x.practice = t.practice and x.treatment_id = t.treatment_id and x.canal = t.canal
left join estimated as e on e.practice = t.practice and e.treatment_id = t.treatment_id and e.canal = t.canal
left join consumed as n on n.practice = t.practice and n.treatment_id = t.treatment_id and n.canal = t.canal
left join cost as k on k.practice = t.practice and k.treatment_id = t.treatment_id and k.canal = t.canal
left join visits_in_doubt as v on v.practice = t.practice and v.treatment_id = t.treatment_id
left join separated as s on s.practice = t.practice and s.treatment_id = t.treatment_id and s.canal = t.canal
left join canal_shaping as h on h.practice = t.practice and h.treatment_id = t.treatment_id and h.canal = t.canal
left join results_recorded as w on w.practice = t.practice
left join incident_flags as i on i.practice = t.practice and i.treatment_id = t.treatment_id and i.canal = t.canal
