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
    f.last_seen_on,
    date_diff('month', f.completed_on, date '${as_of}') as months_since_completion,
    f.window_open,
    f.separations
from tooth_facts as f
where f.completed and f.due and f.recalled = 0 and not f.lost and f.intervened_on is null and f.exfoliated_on is null
