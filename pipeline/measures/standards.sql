select
    s.place,
    s.measure,
    s.target,
    s.direction,
    s.since,
    s.note,
    cast(null as varchar) as left_out
from catalogue_standards as s
