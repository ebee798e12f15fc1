-- Uses that name no instrument (and, of a lot, no lot either), and refused rows: what no trace can see.
select
    (select count(*) from instrument_uses where instrument_id is null and ($lot is null or lot is null)),
    (
        select count(*) from quarantine
        where what = 'row' and kind in ('instruments', 'instrument_uses', 'incidents')
    )
