select
    f.*,
    f.completed_on as happened_on,
    case when f.outcome_pai is not null then 1 else 0 end as numerator,
    1 as denominator,
    f.patient_id as cluster,
    case
        when not f.completed then f.not_completed
        when not f.due then 'completed too recently to be judged'
        when f.lost then 'lost'
        when f.outcome_seen_on is null and f.exfoliated_on is not null
            then 'primary tooth exfoliated before it was judged'
        when f.outcome_seen_on is null then 'not seen since it was due'
    end as left_out
from tooth_facts as f
