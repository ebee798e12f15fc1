"""`canalwise guide`"""

from __future__ import annotations

from typing import Annotated

import typer

from pipeline.cli.command import Output, command
from pipeline.errors import UserError
from pipeline.output.terminal import paragraph, say


@command(tables=True)
def guide(
    output: Output,
    topic: Annotated[str | None, typer.Argument(metavar="TOPIC", help="Without one: the topics.")] = None,
) -> None:
    """Print a page of this guide, or list its pages."""
    from pipeline.guide import SPARE, page, topics

    known = topics()
    if topic is not None and topic not in known:
        raise UserError(f"the guide has no page on {topic}", do=f"There are {', '.join(known)}")
    if topic is None:
        rows = [{"topic": name, "says": title} for name, title in known.items()]
        output.data({"topics": rows}) if output.json else output.table(rows)
        return
    blocks = list(page(topic))
    if output.json:
        output.data({"topic": topic, "blocks": [{"is": kind, "holds": held} for kind, held in blocks]})
        return
    for kind, held in blocks:
        if kind == "table":
            output.table(held, spare=SPARE)
        elif kind == "code":
            for line in str(held).splitlines():
                say(f"    {line}".rstrip())
        else:
            paragraph(str(held))
        say()
