-- One row a treatment: visits, separations, recall, loss and outcome of the tooth, as known on ${as_of}.
with seen as (
    select
        f.practice,
        f.treatment_id,
        f.follow_up_id,
        f.seen_on,
        f.image,
        f.pai,
        f.tooth_present,
        f.lost_on,
        f.lost_reason,
        f.surgery_on,
        case
            when f.pain or f.tenderness or f.swelling or f.sinus_tract then 'present'
            when
                f.pain is not null
                or f.tenderness is not null
                or f.swelling is not null
                or f.sinus_tract is not null
                then 'absent'
        end as signs
    from follow_ups as f
    where f.seen_on <= date '${as_of}'
),

-- A tooth is gone once: on the recorded day, else on the day it was first seen missing.
gone as (
    select practice, treatment_id, gone_on, reason
    from (
        select
            practice,
            treatment_id,
            coalesce(lost_on, seen_on) as gone_on,
            lost_reason as reason,
            row_number() over (
                partition by practice, treatment_id
                order by coalesce(lost_on, seen_on), case when lost_reason is null then 1 else 0 end, follow_up_id
            ) as place
        from seen
        where not tooth_present or lost_on is not null
    ) as each_loss
    where place = 1
),

-- A primary tooth (FDI 51 to 85) that exfoliates is not lost: that day is the natural end of what can be seen of it.
exfoliations as (
    select g.practice, g.treatment_id, g.gone_on as exfoliated_on
    from gone as g
    inner join treatment_base as t on t.practice = g.practice and t.treatment_id = g.treatment_id
    where g.reason = 'exfoliated' and t.tooth >= 51
),

losses as (
    select g.practice, g.treatment_id, g.gone_on as lost_on, g.reason as lost_reason
    from gone as g
    left join exfoliations as x on x.practice = g.practice and x.treatment_id = g.treatment_id
    where x.treatment_id is null
),

last_seen as (
    select
        s.practice,
        s.treatment_id,
        least(max(s.seen_on), min(x.exfoliated_on)) as last_seen_on,
        min(case when s.surgery_on <= date '${as_of}' then s.surgery_on end) as surgery_on
    from seen as s
    left join exfoliations as x on x.practice = s.practice and x.treatment_id = s.treatment_id
    group by s.practice, s.treatment_id
),

-- The same tooth of the same patient treated again, or operated on, after this treatment was completed. A treatment whose
-- kind is not recorded, or another, does not tell.
treated_again as (
    select
        b.practice,
        b.treatment_id,
        min(case when r.kind <> 'apical surgery' then r.started_on end) as retreated_on,
        min(case when r.kind = 'apical surgery' then r.started_on end) as operated_on
    from treatment_base as b
    inner join treatment_base as r
        on r.practice = b.practice and r.patient_id = b.patient_id and r.tooth = b.tooth
    where
        r.kind in ('retreatment', 'regenerative', 'apexification', 'apical surgery')
        and r.treatment_id <> b.treatment_id
        and r.started_on >= b.completed_on
        -- Two of one kind begun on the same day are one entered twice: neither is the later one.
        and not coalesce(b.kind = r.kind and r.started_on <= b.started_on, false)
        and r.started_on <= date '${as_of}'
    group by b.practice, b.treatment_id
),

-- What was done to the tooth after this treatment, the day of completion included; on one day the last step first.
interventions as (
    select practice, treatment_id, treated_on as intervened_on, intervention
    from (
        select
            e.*,
            row_number() over (
                partition by e.practice, e.treatment_id order by e.treated_on, e.step desc
            ) as place
        from (
            select practice, treatment_id, retreated_on as treated_on, 1 as step, 'retreatment' as intervention
            from treated_again
            union all
            select practice, treatment_id, surgery_on, 2, 'apical surgery'
            from seen
            union all
            select practice, treatment_id, operated_on, 2, 'apical surgery'
            from treated_again
            union all
            select practice, treatment_id, lost_on, 3, 'extraction for an endodontic reason'
            from losses
            where lost_reason = 'endodontic'
        ) as e
        inner join treatment_base as t on t.practice = e.practice and t.treatment_id = e.treatment_id
        left join gone as g on g.practice = e.practice and g.treatment_id = e.treatment_id
        where
            e.treated_on >= t.completed_on
            and e.treated_on <= date '${as_of}'
            -- A tooth that was gone before cannot be treated: the dates contradict each other, the loss counts.
            and (g.gone_on is null or e.treated_on <= g.gone_on)
    ) as each_intervention
    where place = 1
),

-- Separations are counted as elsewhere, once each; every other incident is one line of the incidents.
other_incidents as (
    select practice, treatment_id, count(*) as incidents
    from incidents
    where kind is distinct from 'separation'
    group by practice, treatment_id
),

-- The outcome is read at the latest follow-up at least ${healed_after_months} calendar months after completion.
late_enough as (
    select practice, treatment_id, seen_on, image, pai, signs
    from (
        select
            s.practice,
            s.treatment_id,
            s.seen_on,
            s.image,
            s.pai,
            s.signs,
            row_number() over (
                partition by s.practice, s.treatment_id order by s.seen_on desc, s.follow_up_id desc
            ) as place
        from seen as s
        inner join treatment_base as t on t.practice = s.practice and t.treatment_id = s.treatment_id
        where s.seen_on >= t.completed_on + interval '${healed_after_months}' month and s.tooth_present
    ) as each_follow_up
    where place = 1
),

in_window as (
    select s.practice, s.treatment_id, count(*) as follow_ups
    from seen as s
    inner join treatment_base as t on t.practice = s.practice and t.treatment_id = s.treatment_id
    where
        s.seen_on >= t.completed_on + interval '${recall_from_months}' month
        and s.seen_on <= t.completed_on + interval '${recall_to_months}' month
    group by s.practice, s.treatment_id
),

sat as (
    select practice, treatment_id, count(distinct visit_id) as visits
    from visits
    group by practice, treatment_id
),

separated as (
    select practice, treatment_id, count(*) as separations
    from separation_events
    group by practice, treatment_id
),

child_flags as (
    select c.practice, c.treatment_id, string_agg(m.rules, '') as rules
    from (
        select practice, treatment_id, batch_id, record_no, 'follow_ups' as kind from follow_ups
        union all
        select practice, treatment_id, batch_id, record_no, 'visits' as kind from visits
        union all
        select practice, treatment_id, batch_id, record_no, 'canals' as kind from canals
        union all
        select practice, treatment_id, batch_id, record_no, 'incidents' as kind from incidents
    ) as c
    inner join record_flags as m on m.kind = c.kind and m.batch_id = c.batch_id and m.record_no = c.record_no
    group by c.practice, c.treatment_id
),

known as (
    select
        b.*,
        b.status = 'completed' and b.completed_on is not null and b.completed_on <= date '${as_of}' as completed,
        b.completed_on + interval '${healed_after_months}' month <= date '${as_of}' as due,
        l.treatment_id is not null as lost,
        l.lost_on,
        l.lost_reason,
        x.exfoliated_on,
        y.last_seen_on,
        least(y.surgery_on, a.operated_on) as surgery_on,
        a.retreated_on,
        n.intervened_on,
        n.intervention,
        date_part('year', coalesce(b.completed_on, b.started_on)) - o.birth_year as age,
        o.restoration,
        o.restored_on,
        e.seen_on as outcome_seen_on,
        e.image as outcome_image,
        e.pai as outcome_pai,
        e.signs as outcome_signs,
        coalesce(w.follow_ups, 0) as follow_ups_in_window,
        v.visits,
        coalesce(s.separations, 0) as separations,
        coalesce(s.separations, 0) + coalesce(i.incidents, 0) as incidents,
        coalesce(k.rules, '') as child_rules
    from treatment_base as b
    left join losses as l on l.practice = b.practice and l.treatment_id = b.treatment_id
    left join exfoliations as x on x.practice = b.practice and x.treatment_id = b.treatment_id
    left join last_seen as y on y.practice = b.practice and y.treatment_id = b.treatment_id
    left join treatments as o on o.practice = b.practice and o.treatment_id = b.treatment_id
    left join treated_again as a on a.practice = b.practice and a.treatment_id = b.treatment_id
    left join interventions as n on n.practice = b.practice and n.treatment_id = b.treatment_id
    left join other_incidents as i on i.practice = b.practice and i.treatment_id = b.treatment_id
    left join late_enough as e on e.practice = b.practice and e.treatment_id = b.treatment_id
    left join in_window as w on w.practice = b.practice and w.treatment_id = b.treatment_id
    left join sat as v on v.practice = b.practice and v.treatment_id = b.treatment_id
    left join separated as s on s.practice = b.practice and s.treatment_id = b.treatment_id
    left join child_flags as k on k.practice = b.practice and k.treatment_id = b.treatment_id
)

select
    x.*,
    flags || child_rules as flags,
    other_care,
    status,
    started_on,
    completed_on,
    completed,
    case
        when completed then null
        when still_open is not null then still_open
        when completed_on is null then 'completed, day not recorded'
        else 'treatment not completed'
    end as not_completed,
    due,
    canals_instrumented,
    uses,
    visits,
    separations,
    incidents,
    age,
    restoration,
    restored_on,
    -- Days until a definitive restoration; nothing where there is none, or none is known.
    case
        when restoration in ('direct', 'crown', 'onlay', 'inlay', 'endocrown', 'bridge')
            then date_diff('day', completed_on, restored_on)
    end as restored_after,
    case
        when restoration is null then 'restoration not recorded'
        when restoration in ('none', 'temporary') then null
        when restoration not in ('direct', 'crown', 'onlay', 'inlay', 'endocrown', 'bridge')
            then 'another restoration, or post and core: whether it is definitive is not recorded'
        when restored_on is null then 'date of the restoration not recorded'
        when restored_on < completed_on then 'restored before completion: dates contradict each other'
    end as restoration_in_doubt,
    surgery_on,
    retreated_on,
    intervened_on,
    intervention,
    lost,
    lost_on,
    lost_reason,
    exfoliated_on,
    last_seen_on,
    -- From completion to the loss of the tooth, or to the day it was last seen; why it cannot be told.
    date_diff('day', completed_on, case when lost then lost_on else last_seen_on end) / 30.4375e0 as months_followed,
    case
        when last_seen_on is null then 'never seen after completion'
        when not lost and last_seen_on < completed_on then 'never seen after completion'
        when lost and lost_on < completed_on then 'lost before completion: dates contradict each other'
    end as not_followed,
    outcome_seen_on,
    outcome_pai,
    outcome_image,
    preop_pai,
    outcome_signs,
    -- Film and CBCT see different things and are never pooled; what decides without an image counts with film.
    case when outcome_image = 'cbct' and not lost and intervened_on is null then 'cbct' else 'periapical' end as assessed_on,
    -- A later intervention decides, whatever was seen before or after it. Film without signs and with the PAI of before
    -- leaves it open until four years after completion: ESE 2006, Int Endod J 39:921.
    case
        when not completed then 'not completed'
        when not due then 'not due'
        when intervened_on is not null then 'not healed'
        when lost and lost_reason = 'endodontic' then 'not healed'
        when lost and lost_reason is null then 'lost, reason not recorded'
        when lost then 'lost for another reason'
        when outcome_seen_on is null and exfoliated_on is not null then 'exfoliated'
        when outcome_seen_on is null then 'not seen'
        when outcome_signs = 'present' then 'not healed'
        when outcome_signs is null then 'undetermined'
        when outcome_pai is null or outcome_image is null then 'undetermined'
        when outcome_image not in ('periapical', 'cbct') then 'undetermined'
        when outcome_pai <= 2 then 'healed'
        when outcome_image = 'cbct' or preop_pai is null then 'undetermined'
        when outcome_pai < preop_pai then 'healing'
        when outcome_pai = preop_pai and outcome_seen_on < completed_on + interval '48' month then 'uncertain'
        else 'not healed'
    end as outcome_class,
    -- Seen in the window, or known before it closed to be lost, exfoliated, retreated or operated on.
    case
        when follow_ups_in_window > 0 then 1
        when lost and lost_on <= completed_on + interval '${recall_to_months}' month then 1
        when least(exfoliated_on, intervened_on) <= completed_on + interval '${recall_to_months}' month then 1
        else 0
    end as recalled,
    -- Its last day included: on that day the tooth can still be seen in time.
    completed_on + interval '${recall_to_months}' month >= date '${as_of}' as window_open
from known as k
inner join treatment_case_mix as x on x.practice = k.practice and x.treatment_id = k.treatment_id
