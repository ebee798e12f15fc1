-- One row a follow-up, as known on ${as_of}: months since completion, signs, and whether the tooth was healed that day.
-- A follow-up is judged on periapical film; a recorded sign decides without an image. One that cannot be judged (no sign
-- recorded, no film, CBCT, PAI not read) has no state: it says nothing about healing. From the day of a later
-- intervention on (retreatment, apical surgery) the tooth is not healed by this treatment, whatever is seen.
select
    x.*,
    f.follow_up_id,
    b.completed_on,
    f.seen_on,
    f.seen_on as happened_on,
    f.image,
    f.pai,
    date_diff('day', b.completed_on, f.seen_on) / 30.4375e0 as months,
    case
        when not f.tooth_present then null
        when f.seen_on >= t.intervened_on then 'not healed'
        when f.pain or f.tenderness or f.swelling or f.sinus_tract then 'not healed'
        when
            f.pain is null
            and f.tenderness is null
            and f.swelling is null
            and f.sinus_tract is null
            then null
        when f.image = 'periapical' and f.pai <= 2 then 'healed'
        when f.image = 'periapical' and f.pai > 2 then 'not healed'
    end as state,
    coalesce(m.rules, '') || coalesce(b.flags, '') as flags
from follow_ups as f
inner join treatment_case_mix as x on x.practice = f.practice and x.treatment_id = f.treatment_id
inner join treatment_base as b on b.practice = f.practice and b.treatment_id = f.treatment_id
left join tooth_facts as t on t.practice = f.practice and t.treatment_id = f.treatment_id
left join record_flags as m on m.kind = 'follow_ups' and m.batch_id = f.batch_id and m.record_no = f.record_no
where f.seen_on <= date '${as_of}'
