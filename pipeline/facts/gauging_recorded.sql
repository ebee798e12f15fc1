-- One row a practice: does any canal have a size gauged at the end (`gauged` 1)? A practice whose exports never hold one has
-- not left out gauging: it is not recorded.
select practice, max(case when apical_gauge_size is not null then 1 else 0 end) as gauged
from canals
group by practice
