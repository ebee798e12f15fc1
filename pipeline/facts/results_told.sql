-- One row a practice: can its records tell that an instrument separated (`separations_told`: a result of a use, or an
-- incident with its kind, stands somewhere), and that one was whole (`whole_told`)? An empty result is no "intact": where
-- only faults are written down, instruments found whole cannot be told from those that nobody looked at.
select
    practice,
    max(separations_told) as separations_told,
    max(whole_told) as whole_told,
    max(result_missing) as result_missing
from (
    select
        practice,
        case when result is not null then 1 else 0 end as separations_told,
        case when result not in ('separated', 'deformed') then 1 else 0 end as whole_told,
        case when result is null then 1 else 0 end as result_missing
    from use_base
    union all
    select practice, case when kind is not null then 1 else 0 end as separations_told, 0 as whole_told, 0 as result_missing
    from incidents
) as each_record
group by practice
