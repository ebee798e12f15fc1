"""What a believable record looks like: Great Expectations suites, as data.

One file a record kind (`treatments.json`, `visits.json`, ...) and `across.json` for rules between kinds. Every
expectation judges a single value, so that it may be judged once for each distinct value: either a stored column or the
value of `meta.sql`, a DuckDB expression over one row `r` (`$today` is a date given by the caller). Its `meta` holds

- `rule`: the fault's name, unique over all files;
- `action`: `quarantine` refuses the record (keys, what is required, dates that contradict each other), `blank` empties
  the cell and keeps the record (optional columns; the cell is listed, to be mended), `warn` keeps and marks it, `flag`
  (across kinds) keeps and marks it. Rules that blank judge first, the others what is left then;
- `columns`: the columns to look at; `blanks`: those of them whose cells are emptied, if not all. Of several it is
  those that the judged value names as the first words of its parts ("lost_on in the future, surgery_on before 1990");
  where it names none, all;
- `reason`: what is wrong, in a sentence for the practice; with `show_value` the refused value may be shown beside it
  (it never holds a patient's data), `shown_in` says its unit;
- `source`: who says so;
- in `across.json` also `kind`, whose records are judged, and `affects`, the measures and fact tables whose unit built
  from a flagged record is left out; `scope`, whose records the verdict on a record hangs on: those of its `treatment`,
  `patient`, `instrument`, or `chair` or `dentist` and day, or of more (`whole`): after an import no others are judged
  again; and `if_any`, where the rule speaks only of practices with such a record, the kind or KIND.column
  (checks/touched.py).

An empty value is never judged; a record that must not be empty has a rule of its own. Text comes
trimmed, and nothing but blanks is empty: the mapping sees to it.
"""
