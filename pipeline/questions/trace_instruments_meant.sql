-- The instruments that one number, or a lot, means: by any kind of record that names them.
create or replace temp table traced as
with named as (
    select practice, instrument_id, lot from instruments
    union
    select practice, instrument_id, lot from instrument_uses where instrument_id is not null
    union
    select practice, instrument_id, null from incidents where instrument_id is not null
)
select distinct practice, instrument_id from named where ($instrument is null or instrument_id = $instrument)
    and ($lot is null or (lot = $lot and instrument_id is not null))
