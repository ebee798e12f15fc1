select
    s.place,
    s.measure,
    s.target,
    s.direction,
    s.since,
    s.note,
    -- A limit for the hazard at each use is no standard of one figure.
    case when s.measure = 'instrument_hazard' then 'instrument_hazard itself holds each use against it' end as left_out
from catalogue_standards as s
