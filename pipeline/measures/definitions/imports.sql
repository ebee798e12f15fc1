select
    source_file,
    kind as record_kind,
    loaded_at,
    "read" as rows_read,
    loaded,
    unchanged,
    superseded,
    quarantined
from (
    select
        *,
        row_number() over (partition by source_file, kind order by batch_id desc) as place
    from batches
) as each_batch
where place = 1
