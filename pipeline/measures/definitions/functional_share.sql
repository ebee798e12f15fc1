select
    f.*,
    f.completed_on as happened_on,
    case
        when f.intervened_on is not null or f.lost then 0
        when f.outcome_signs = 'absent' then 1
        else 0
    end as numerator,
    1 as denominator,
    f.patient_id as cluster,
    case
        when not f.completed then f.not_completed
        when f.other_care is not null then f.other_care
        when not f.due then 'completed too recently to be judged'
        when f.intervened_on is not null then null
        when f.lost and f.lost_reason is null then 'lost, reason not recorded'
        when f.lost and f.lost_reason <> 'endodontic' then 'lost for another reason'
        when f.lost then null
        when f.outcome_seen_on is null and f.exfoliated_on is not null
            then 'primary tooth exfoliated before it was judged'
        when f.outcome_seen_on is null then 'not seen since it was due'
        when f.outcome_signs is null then 'undetermined: no sign recorded'
    end as left_out
from tooth_facts as f
