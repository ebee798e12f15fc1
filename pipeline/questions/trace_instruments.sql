-- What is known of each of them.
select t.practice, t.instrument_id, i.lot, i.size, i.taper, i.motion, i.expires_on, i.received_on, i.retired_on,
    i.retired_reason
from traced as t
left join instruments as i on i.practice = t.practice and i.instrument_id = t.instrument_id
order by all
