select
    f.*,
    f.completed_on as happened_on,
    f.months_followed as time,
    f.patient_id as cluster,
    case
        when not f.lost or f.lost_reason = 'exfoliated' then null
        when f.lost_reason is null then 'reason not recorded'
        when f.lost_reason = 'endodontic' then 'endodontic'
        else 'another reason'
    end as cause,
    case when not f.completed then f.not_completed else coalesce(f.other_care, f.not_followed) end as left_out
from tooth_facts as f
