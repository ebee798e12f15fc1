-- Every column but `basis`, which is about chair minutes.
select
    f.practice,
    f.treatment_id,
    f.canal,
    f.patient_id,
    f.happened_on,
    f.dentist,
    f.sequence,
    f.tooth,
    f.tooth_type,
    f.tooth_group,
    f.arch,
    f.kind,
    f.lesion,
    f.curvature_class,
    f.flags,
    f.shaping_gaps,
    f.shaping_gap_minutes,
    f.shaping_minutes as value,
    f.patient_id as cluster,
    case
        when f.uses is null then 'no instrument use recorded'
        when f.ends_untimed = 1 then 'start of the first or last instrument use not recorded'
        when f.uses = 1 and f.uses_with_seconds = 0 then 'a single instrument use without seconds'
    end as left_out
from canal_facts as f
