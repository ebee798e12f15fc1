-- One row an instrumented canal and check that applies to it: met 1, not met 0, not recorded null. A canal is held
-- against the practice's own catalogue; one whose sequence is not there has one row without a check. A check of several
-- uses is judged on those that are recorded; partly_recorded is 1 where some were not. Depths may be half a millimetre
-- beyond: they are read off a stop.
with asked as (
    select
        f.practice,
        f.treatment_id,
        f.canal,
        c.working_length_mm,
        c.glide_path_size,
        c.length_confirmed,
        c.apical_gauge_size,
        c.final_size,
        s.sequence as catalogue_sequence,
        s.glide_path_size as asked_glide_path_size,
        s.irrigant_ml as asked_irrigant_ml,
        s.length_confirmed_before_step as asked_length_before_step,
        s.apical_gauging as asked_gauging,
        s.final_size as asked_final_size
    from canal_facts as f
    inner join canals as c on c.practice = f.practice and c.treatment_id = f.treatment_id and c.canal = f.canal
    inner join catalogue_sequences as s on s.sequence = f.sequence
),

-- Uses in their order; the same instrument (size, taper, motion) taken again is counted.
uses as (
    select
        u.practice,
        u.treatment_id,
        u.canal,
        u.size,
        cast(round(u.taper * 1000) as integer) as taper_thousandths,
        u.motion,
        u.speed_rpm,
        u.torque_ncm,
        u.depth_mm,
        u.irrigant_ml,
        a.catalogue_sequence,
        a.asked_irrigant_ml,
        a.working_length_mm,
        row_number() over (
            partition by u.practice, u.treatment_id, u.canal order by u.step, u.started_at, u.use_id
        ) as place,
        row_number() over (
            partition by u.practice, u.treatment_id, u.canal, u.size, cast(round(u.taper * 1000) as integer), u.motion
            order by u.step, u.started_at, u.use_id
        ) as occurrence
    from use_base as u
    inner join asked as a on a.practice = u.practice and a.treatment_id = u.treatment_id and a.canal = u.canal
),

-- Which step of the catalogue a use is: the n-th time an instrument is taken is the n-th step with that instrument, and
-- what is taken more often than it has steps repeats the last of them.
matched as (
    select
        u.*,
        s.place as step_place,
        s.depth_share,
        s.slowest_rpm,
        s.fastest_rpm,
        s.torque_ncm as torque_limit
    from uses as u
    left join catalogue_steps as s
        on
            s.sequence = u.catalogue_sequence
            and s.size = u.size
            and cast(round(s.taper * 1000) as integer) = u.taper_thousandths
            and s.motion = u.motion
            and s.occurrence = least(u.occurrence, s.occurrences)
),

-- Each use held against each check that applies to it.
checked_uses as (
    select
        practice,
        treatment_id,
        canal,
        'depth of steps' as check_name,
        case
            when depth_mm > depth_share * working_length_mm + 0.5 then 0
            when depth_mm <= depth_share * working_length_mm + 0.5 then 1
        end as met
    from matched
    where depth_share is not null
    union all
    select
        practice,
        treatment_id,
        canal,
        'speed' as check_name,
        case when speed_rpm between slowest_rpm and fastest_rpm then 1 when speed_rpm is not null then 0 end as met
    from matched
    where slowest_rpm is not null
    union all
    select
        practice,
        treatment_id,
        canal,
        'torque' as check_name,
        case when torque_ncm <= torque_limit then 1 when torque_ncm > torque_limit then 0 end as met
    from matched
    where torque_limit is not null
    union all
    select
        practice,
        treatment_id,
        canal,
        'irrigation' as check_name,
        case when irrigant_ml >= asked_irrigant_ml then 1 when irrigant_ml < asked_irrigant_ml then 0 end as met
    from uses
    where asked_irrigant_ml is not null
),

in_canal as (
    select
        practice,
        treatment_id,
        canal,
        check_name,
        min(met) as met,
        case when count(met) > 0 and count(met) < count(*) then 1 else 0 end as partly_recorded
    from checked_uses
    group by practice, treatment_id, canal, check_name
),

-- When each step of the catalogue was first taken. In order: the steps done are the first ones of the catalogue, none
-- left out before a later one, and each was first taken after the one before it.
first_taken as (
    select
        practice,
        treatment_id,
        canal,
        step_place,
        row_number() over (partition by practice, treatment_id, canal order by min(place)) as taken_as
    from matched
    where step_place is not null
    group by practice, treatment_id, canal, step_place
),

out_of_place as (
    select practice, treatment_id, canal, sum(case when step_place <> taken_as then 1 else 0 end) as steps
    from first_taken
    group by practice, treatment_id, canal
),

per_canal as (
    select
        practice,
        treatment_id,
        canal,
        count(*) as all_uses,
        sum(case when motion in ('rotation', 'reciprocation', 'mixed') then 1 else 0 end) as engine_uses,
        -- Which step a use is cannot be told without its size, taper or motion.
        count(case when size is not null and taper_thousandths is not null and motion is not null then 1 end)
            as identified_uses,
        sum(
            case
                when size is null or taper_thousandths is null then 0
                when motion in ('rotation', 'reciprocation', 'mixed') and step_place is null then 1
                else 0
            end
        ) as strange_engine_uses
    from matched
    group by practice, treatment_id, canal
),

in_catalogue as (
    select
        sequence,
        sum(case when motion in ('rotation', 'reciprocation', 'mixed') then 1 else 0 end) as engine_steps,
        count(depth_share) as steps_with_depth,
        count(slowest_rpm) as steps_with_speed,
        count(torque_ncm) as steps_with_torque,
        count(*) as steps
    from catalogue_steps
    group by sequence
),

of_canal as (
    select
        a.*,
        p.all_uses,
        coalesce(p.identified_uses, 0) as identified_uses,
        coalesce(p.engine_uses, 0) as engine_uses,
        coalesce(p.strange_engine_uses, 0) as strange_engine_uses,
        coalesce(o.steps, 0) as steps_out_of_place,
        coalesce(k.engine_steps, 0) as engine_steps,
        coalesce(k.steps_with_depth, 0) as steps_with_depth,
        coalesce(k.steps_with_speed, 0) as steps_with_speed,
        coalesce(k.steps_with_torque, 0) as steps_with_torque,
        coalesce(k.steps, 0) as steps,
        g.gauged
    from asked as a
    left join per_canal as p on p.practice = a.practice and p.treatment_id = a.treatment_id and p.canal = a.canal
    left join out_of_place as o on o.practice = a.practice and o.treatment_id = a.treatment_id and o.canal = a.canal
    left join in_catalogue as k on k.sequence = a.catalogue_sequence
    left join gauging_recorded as g on g.practice = a.practice
),

checks as (
    select
        practice,
        treatment_id,
        canal,
        'glide path' as check_name,
        case
            when glide_path_size >= asked_glide_path_size then 1
            when glide_path_size < asked_glide_path_size then 0
        end as met,
        0 as partly_recorded
    from of_canal
    where asked_glide_path_size is not null and engine_steps > 0
    union all
    select
        practice,
        treatment_id,
        canal,
        'order of steps' as check_name,
        case
            when all_uses is null then null
            when strange_engine_uses > 0 then 0
            when identified_uses < all_uses then null
            when steps_out_of_place > 0 then 0
            else 1
        end as met,
        0 as partly_recorded
    from of_canal
    where steps > 0
    union all
    select
        practice,
        treatment_id,
        canal,
        'length confirmed' as check_name,
        case
            when length_confirmed in ('apex locator', 'radiograph', 'both') then 1
            when length_confirmed is not null then 0
        end as met,
        0 as partly_recorded
    from of_canal
    where asked_length_before_step is not null
    union all
    select
        practice,
        treatment_id,
        canal,
        'apical gauging' as check_name,
        case when apical_gauge_size is not null then 1 when gauged > 0 then 0 end as met,
        0 as partly_recorded
    from of_canal
    where asked_gauging
    union all
    select
        practice,
        treatment_id,
        canal,
        'final size' as check_name,
        case when final_size = asked_final_size then 1 when final_size is not null then 0 end as met,
        0 as partly_recorded
    from of_canal
    where asked_final_size is not null
    union all
    select
        c.practice,
        c.treatment_id,
        c.canal,
        c.check_name,
        c.met,
        case when p.identified_uses < p.all_uses and c.check_name <> 'irrigation' then 1 else c.partly_recorded end
            as partly_recorded
    from in_canal as c
    inner join per_canal as p on p.practice = c.practice and p.treatment_id = c.treatment_id and p.canal = c.canal
    -- Nothing is known of the uses of a canal, or not what they were: its checks of uses are not recorded.
    union all
    select practice, treatment_id, canal, 'depth of steps' as check_name, null as met, 0 as partly_recorded
    from of_canal
    where identified_uses = 0 and steps_with_depth > 0
    union all
    select practice, treatment_id, canal, 'speed' as check_name, null as met, 0 as partly_recorded
    from of_canal
    where identified_uses = 0 and steps_with_speed > 0
    union all
    select practice, treatment_id, canal, 'torque' as check_name, null as met, 0 as partly_recorded
    from of_canal
    where identified_uses = 0 and steps_with_torque > 0
    union all
    select practice, treatment_id, canal, 'irrigation' as check_name, null as met, 0 as partly_recorded
    from of_canal
    where all_uses is null and asked_irrigant_ml is not null
    union all
    select
        f.practice,
        f.treatment_id,
        f.canal,
        cast(null as varchar) as check_name,
        null as met,
        0 as partly_recorded
    from canal_facts as f
    left join catalogue_sequences as s on s.sequence = f.sequence
    where s.sequence is null
)

select
    x.*,
    f.happened_on,
    k.check_name,
    k.met,
    k.partly_recorded,
    f.separations,
    f.flags
from checks as k
inner join canal_case_mix as x on x.practice = k.practice and x.treatment_id = k.treatment_id and x.canal = k.canal
inner join canal_facts as f on f.practice = k.practice and f.treatment_id = k.treatment_id and f.canal = k.canal
