"""Tables of validation: printed by the tests that make them and, when asked, written where the guide has them from.

    WRITE_TABLES=1 python -m pytest -n 0 -m slow -s tests/planted/simulated
    python -m pipeline.guide.generated

The first writes pipeline/guide/validation/NAME.json for each table that a test hands to `publish`, the second the page
(pipeline/guide/validation.md). WRITE_TABLES may also be another folder, to compare.
"""

from __future__ import annotations

import datetime as dt
import json
import os
from collections.abc import Iterable, Sequence
from pathlib import Path

from pipeline.guide.tables import Table, markdown

FOLDER = Path(__file__).resolve().parents[1] / "pipeline" / "guide" / "validation"


def publish(
    name: str | None, title: str, columns: Sequence[str], rows: Iterable[Sequence[object]], *, drawn: str, seeds: str
) -> None:
    """Print a table and, with WRITE_TABLES, write it as NAME.json; without a name it is only printed.

    `drawn` says of how many practices, series or numbers it is made, `seeds` what makes the draw again. Cells are
    written as they are to be read.
    """
    made = Table(title, dt.date.today().isoformat(), drawn, seeds, list(columns), [[str(c) for c in r] for r in rows])
    print(f"\n{title}\n\n{markdown(made)}\n\n{drawn}, {seeds}", flush=True)
    where = os.environ.get("WRITE_TABLES", "")
    if where and name:
        write(name, made, FOLDER if where == "1" else Path(where))


def write(name: str, made: Table, folder: Path = FOLDER) -> None:
    """The data file of a table: JSON, a row a line, so that what a new run changes can be read."""
    head = {"title": made.title, "made_on": made.made_on, "drawn": made.drawn, "seeds": made.seeds}
    lines = [f"  {json.dumps(key)}: {json.dumps(value, ensure_ascii=False)}," for key, value in head.items()]
    lines.append(f'  "columns": {json.dumps(made.columns, ensure_ascii=False)},')
    rows = ",\n".join(f"    {json.dumps(row, ensure_ascii=False)}" for row in made.rows)
    text = "\n".join(["{", *lines, f'  "rows": [\n{rows}\n  ]', "}"]) + "\n"
    (folder / f"{name}.json").write_text(text, encoding="utf-8")
