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
    f.instrument_seconds,
    f.engine_seconds,
    f.instrument_seconds as value,
    f.patient_id as cluster,
    case
        when f.uses is null then 'no instrument use recorded'
        when f.uses_with_seconds < f.uses then 'seconds of an instrument use not recorded'
    end as left_out
from canal_facts as f
