-- Every incident on one line, and separations that only the uses know of.
select
    f.happened_on,
    f.incident_id,
    f.incident,
    f.treatment_id,
    f.dentist,
    f.tooth,
    f.tooth_type,
    f.tooth_group,
    f.canal,
    f.canal_third,
    f.curvature_deg,
    f.sequence,
    f.instrument_id,
    f.size,
    f.motion,
    f.use_number,
    i.use_limit,
    f.fragment_mm,
    f.width_at_break_mm,
    f.managed,
    f.patient_informed,
    t.outcome_class as outcome,
    t.last_seen_on
from incident_facts as f
left join tooth_facts as t on t.practice = f.practice and t.treatment_id = f.treatment_id
left join instruments as i on i.practice = f.practice and i.instrument_id = f.instrument_id
