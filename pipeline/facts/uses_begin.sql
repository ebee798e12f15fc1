-- One row a practice with recorded uses of instruments: the day on which the records of uses begin.
select practice, min(first_day) as first_day
from treatment_uses_begin
group by practice
