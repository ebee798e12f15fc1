select
    f.*,
    cast(null as varchar) as left_out
from incident_facts as f
