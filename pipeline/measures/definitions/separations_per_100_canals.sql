-- Instrumented canals; and separations that no canal can count, which are left out with the reason.
select
    f.*,
    f.separations as numerator,
    f.exposure as denominator,
    f.patient_id as cluster,
    coalesce(f.not_placed, f.not_watched) as left_out
from canal_separations as f
