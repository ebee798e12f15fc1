select
    f.completed_on as happened_on,
    f.treatment_id,
    f.dentist,
    f.tooth,
    f.tooth_type,
    f.tooth_group,
    f.sequence,
    f.kind,
    f.lesion,
    f.completed_on,
    coalesce(f.intervened_on, f.lost_on, f.outcome_seen_on) as seen_on,
    f.preop_pai,
    f.outcome_pai,
    case
        when f.intervention = 'retreatment' then 'retreated'
        when f.intervention = 'apical surgery' then 'apical surgery'
        when f.lost then 'extracted for an endodontic reason'
        when f.outcome_signs = 'present' then 'signs recorded'
        when f.outcome_pai > f.preop_pai then 'PAI higher than before'
        else 'PAI not lower four years after completion'
    end as why,
    f.separations
from tooth_facts as f
where f.outcome_class = 'not healed'
