-- One row a canal with uses of instruments: from the start of the first to the end of the last (its start and the
-- seconds it turned, where recorded). Gaps over 20 minutes between the end of all uses so far and the next start are cut:
-- the patient went home, or another canal or tooth came in between (common practice, no source).
with clocked as (
    select
        u.practice,
        u.treatment_id,
        u.canal,
        u.use_id,
        u.step,
        u.seconds,
        u.motion,
        u.not_engine_driven,
        -- True seconds, also over a change of the clock; none where a time may mean two moments, or none (visit_times).
        case
            when not k.in_doubt
                then date_diff('second', timestamp '2000-01-01 00:00:00', u.started_at) - k.utc_offset
        end as started_second
    from use_base as u
    left join clock as k on u.started_at >= k.begins and u.started_at < k.ends
),

timed as (
    select
        practice,
        treatment_id,
        canal,
        use_id,
        step,
        started_second,
        seconds,
        motion,
        not_engine_driven,
        started_second - min(started_second) over (partition by practice, treatment_id, canal) as began,
        row_number() over (partition by practice, treatment_id, canal order by step, use_id) as place,
        row_number() over (partition by practice, treatment_id, canal order by step desc, use_id desc) as place_from_last
    from clocked
),

in_order as (
    select
        *,
        began + coalesce(seconds, 0) as ended,
        max(began + coalesce(seconds, 0)) over (
            partition by practice, treatment_id, canal
            order by began, step, use_id
            rows between unbounded preceding and 1 preceding
        ) as ended_before
    from timed
    where started_second is not null
),

spans as (
    select
        practice,
        treatment_id,
        canal,
        max(ended) / 60.0 as span_minutes,
        sum(case when began - ended_before > 1200 then 1 else 0 end) as gaps,
        sum(case when began - ended_before > 1200 then began - ended_before else 0 end) / 60.0 as gap_minutes
    from in_order
    group by practice, treatment_id, canal
),

every_use as (
    select
        practice,
        treatment_id,
        canal,
        count(*) as uses,
        count(seconds) as uses_with_seconds,
        sum(seconds) as seconds,
        -- Not known where it is not known of one of them whether it was engine-driven.
        case
            when count(case when motion is null or motion = 'other' then 1 end) = 0
                then sum(case when not_engine_driven is null then seconds else 0 end)
        end as engine_seconds,
        max(case when started_second is null and (place = 1 or place_from_last = 1) then 1 else 0 end) as ends_untimed
    from timed
    group by practice, treatment_id, canal
)

select
    e.practice,
    e.treatment_id,
    e.canal,
    e.uses,
    e.uses_with_seconds,
    e.seconds,
    e.engine_seconds,
    e.ends_untimed,
    s.span_minutes - s.gap_minutes as minutes,
    s.gaps,
    s.gap_minutes
from every_use as e
left join spans as s on s.practice = e.practice and s.treatment_id = e.treatment_id and s.canal = e.canal
