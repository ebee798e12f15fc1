-- No units of its own: records are counted by what every measure of the catalogue needs (its NAME.toml).
select
    u.as_of,
    cast(null as varchar) as left_out
from settings_used as u
