-- Uses; and separations that no use can count, which are left out with the reason.
select
    f.*,
    f.separations as numerator,
    f.patient_id as cluster,
    coalesce(f.not_placed, f.not_watched) as left_out
from use_facts as f
