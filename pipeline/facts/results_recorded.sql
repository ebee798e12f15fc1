-- One row a practice: can its records tell that an instrument separated (a result of a use, or an incident with its kind,
-- stands somewhere; `not_watched` says that they cannot), and that one was whole (`whole_recorded`)? An empty result is no
-- "intact": where only faults are written down, instruments found whole cannot be told from those that nobody looked at.
select
    practice,
    max(whole_recorded) as whole_recorded,
    max(result_missing) as result_missing,
    case
        when max(separations_recorded) = 0 then 'neither results of uses nor kinds of incidents are recorded'
    end as not_watched
from (
    select
        practice,
        case when result is not null then 1 else 0 end as separations_recorded,
        case when result not in ('separated', 'deformed') then 1 else 0 end as whole_recorded,
        case when result is null then 1 else 0 end as result_missing
    from use_base
    union all
    select
        practice,
        case when kind is not null then 1 else 0 end as separations_recorded,
        0 as whole_recorded,
        0 as result_missing
    from incidents
    union all
    select practice, 0 as separations_recorded, 0 as whole_recorded, 0 as result_missing
    from treatments
    union all
    select practice, 0 as separations_recorded, 0 as whole_recorded, 0 as result_missing
    from canals
) as each_record
group by practice
