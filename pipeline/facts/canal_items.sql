-- One row an instrument that was taken into a canal, however often it returned. `item` tells it from others: by its
-- serial or, where none is recorded, by size, taper and motion. One written down with two sizes or motions has a row for
-- each, and one item.
select distinct
    practice,
    treatment_id,
    canal,
    size,
    motion,
    coalesce(
        'serial ' || instrument_id,
        'untracked '
        || coalesce(cast(size as varchar), '?')
        || ' '
        || coalesce(cast(taper as varchar), '?')
        || ' '
        || coalesce(motion, '?')
    ) as item
from use_base
