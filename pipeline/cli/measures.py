"""`canalwise measures`"""

from __future__ import annotations

from pipeline.cli.command import Output, command


@command(tables=True)
def measures(output: Output) -> None:
    """List the measures."""
    from pipeline.measures.catalogue import catalogue

    rows = [{"measure": m.name, "title": m.title, "unit": m.unit, "kind": m.kind} for m in catalogue().values()]
    output.data({"measures": rows}) if output.json else output.table(rows, spare=("kind", "unit"))
