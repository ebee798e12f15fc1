-- One row a column that the last import changed in records of a file, with how many records of it were replaced at all.
with latest as (
    select
        l.imported_on,
        c.record_kind,
        c.source_file,
        c.changed_column,
        c.record
    from record_changes as c
    inner join last_import as l on l.batch_id = c.batch_id
),

replaced as (
    select
        record_kind,
        source_file,
        count(distinct record) as records_replaced
    from latest
    group by record_kind, source_file
)

select
    c.imported_on,
    c.record_kind,
    c.source_file,
    c.changed_column,
    count(distinct c.record) as records_changed,
    r.records_replaced
from latest as c
inner join replaced as r on r.record_kind = c.record_kind and r.source_file = c.source_file
group by c.imported_on, c.record_kind, c.source_file, c.changed_column, r.records_replaced
