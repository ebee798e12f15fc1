-- One row an instrumented canal: is it inside the indication that the catalogue gives its sequence? A canal outside in
-- curvature or width is outside whatever the other is; where nothing is outside and something asked for is blank, it
-- cannot be told (inside is null).
select
    f.practice,
    f.treatment_id,
    f.canal,
    case
        when c.curvature_deg > s.largest_curvature_deg then 0
        when c.first_binding_size < s.smallest_binding_size or c.first_binding_size > s.largest_binding_size then 0
        when s.largest_curvature_deg is not null and c.curvature_deg is null then null
        when s.smallest_binding_size is not null and c.first_binding_size is null then null
        when s.largest_curvature_deg is not null or s.smallest_binding_size is not null then 1
    end as inside,
    case when c.curvature_deg > s.largest_curvature_deg then 1 else 0 end as too_curved,
    case
        when c.first_binding_size < s.smallest_binding_size or c.first_binding_size > s.largest_binding_size then 1
        else 0
    end as other_width,
    case
        when f.patient_id is null then 'the canal''s treatment is not in the store'
        when f.sequence is null then 'sequence not recorded'
        when s.sequence is null then 'the canal''s sequence is not in the catalogue'
        when s.largest_curvature_deg is null and s.smallest_binding_size is null
            then 'the catalogue gives the sequence no indication'
    end as without_indication
from canal_facts as f
inner join canals as c on c.practice = f.practice and c.treatment_id = f.treatment_id and c.canal = f.canal
left join catalogue_sequences as s on s.sequence = f.sequence
