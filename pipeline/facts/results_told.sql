-- One row a practice: can its records tell that an instrument separated (`separations_told`: a result or an incident stands
-- somewhere), and that one was whole (`whole_told`)? An empty result is no "intact": where only faults are written down,
-- instruments found whole cannot be told from those that nobody looked at.
select
    practice,
    max(separations_told) as separations_told,
    max(whole_told) as whole_told
from (
    select
        practice,
        case when result is not null then 1 else 0 end as separations_told,
        case when result not in ('separated', 'deformed') then 1 else 0 end as whole_told
    from use_base
    union all
    select practice, 1 as separations_told, 0 as whole_told
    from incidents
) as each_record
group by practice
