-- Instrumented canals in order of time, with their separations; and those that no canal can count, left out.
select
    f.*,
    f.separations as numerator,
    case when f.exposure = 1 then f.begun_at else cast(f.happened_on as timestamp) end as happened_at,
    case
        when f.not_placed is not null then f.not_placed
        when f.happened_on is null then 'no date'
        else f.not_watched
    end as left_out
from canal_separations as f
