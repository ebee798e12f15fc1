-- Most frequent first, with the share of all refusals that each makes and that it makes with those before it.
with each_reason as (
    select
        kind as record_kind,
        rule,
        count(*) as rows_refused
    from (select kind, unnest(rules) as rule from quarantine) as each_rule
    group by kind, rule
)

select
    record_kind,
    rule,
    rows_refused,
    cast(rows_refused as double) / sum(rows_refused) over () as share,
    cast(
        sum(rows_refused) over (
            order by rows_refused desc, record_kind asc, rule asc rows between unbounded preceding and current row
        ) as double
    ) / sum(rows_refused) over () as cumulated_share
from each_reason
