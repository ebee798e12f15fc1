"""Every worked example in a measure's TOML is run: what the file promises is what the program computes."""

import pytest

from pipeline.measures.catalogue import Example, Measure, catalogue
from pipeline.measures.examples import run, table

EXAMPLES = [(m, e) for m in catalogue().values() for e in m.example]


@pytest.mark.parametrize(("measure", "example"), EXAMPLES, ids=[f"{m.name}: {e.says[:60]}" for m, e in EXAMPLES])
def test_worked_example(measure: Measure, example: Example) -> None:
    rows = run(measure, example).rows
    expected = table(example.expect)
    assert len(rows) == len(expected), rows
    for row, wanted in zip(rows, expected, strict=True):
        for column, text in wanted.items():
            assert column in row, f"{column} is not in {sorted(row)}"
            found = row[column]
            if text is None:
                # An empty cell of an example says: not estimable (or, in the tables of times, left unsaid).
                if column in ("estimate", "low", "high", "use_number"):
                    assert found is None, (column, found)
            elif isinstance(found, bool):
                assert str(found).lower() == text
            elif isinstance(found, int | float):
                decimals = len(text.partition(".")[2])
                assert float(found) == pytest.approx(float(text), abs=0.5 * 10**-decimals + 1e-9), column
            else:
                assert str(found) == text, column


def test_every_measure_has_an_example_or_needs_the_books_of_a_store() -> None:
    without = {name for name, measure in catalogue().items() if not measure.example}
    assert without == {"imports", "quarantine_by_reason"}
