-- Most frequent first, with the share of all refusals that each makes and that it makes with those before it; and how
-- many cells of records that were taken in each left empty.
with each_reason as (
    select
        kind as record_kind,
        rule,
        count(case when what = 'row' then 1 end) as rows_refused,
        count(case when what = 'cell' then 1 end) as cells_left_empty
    from (select kind, what, unnest(rules) as rule from quarantine) as each_rule
    group by kind, rule
)

select
    record_kind,
    rule,
    rows_refused,
    cells_left_empty,
    cast(rows_refused as double) / nullif(sum(rows_refused) over (), 0) as share,
    cast(
        sum(rows_refused) over (
            order by rows_refused desc, record_kind asc, rule asc rows between unbounded preceding and current row
        ) as double
    ) / nullif(sum(rows_refused) over (), 0) as cumulated_share
from each_reason
