select
    kind as record_kind,
    rule,
    count(*) as rows_refused
from (select kind, unnest(rules) as rule from quarantine) as each_reason
group by kind, rule
