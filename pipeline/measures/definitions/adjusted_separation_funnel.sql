select
    f.*,
    f.patient_id as cluster,
    f.separations as numerator,
    case
        when f.not_watched is not null then f.not_watched
        when f.kind not in ('primary', 'retreatment') then 'neither primary treatment nor retreatment'
        when f.dentist is null then 'dentist not recorded'
    end as left_out
from canal_facts as f
