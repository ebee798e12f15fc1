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
    case when f.lost then f.lost_on else f.outcome_seen_on end as seen_on,
    f.preop_pai,
    f.outcome_pai,
    case
        when f.lost then 'extracted for an endodontic reason'
        when f.outcome_signs = 'present' then 'signs recorded'
        else 'PAI not lower than before'
    end as why,
    f.separations
from tooth_facts as f
where f.outcome_class = 'not healed'
