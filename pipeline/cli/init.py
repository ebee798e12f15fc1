"""`canalwise init`"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.command import Output, command
from pipeline.errors import UserError
from pipeline.output.terminal import say


@command()
def init(
    output: Output,
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="Where to write it.")] = Path("canalwise.toml"),
) -> None:
    """Write a commented canalwise.toml to start from."""
    from importlib.resources import files

    text = (files("pipeline") / "canalwise.toml").read_text(encoding="utf-8")
    try:
        with out.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise UserError("exists already", where=str(out), do="Give --out another name, or remove it first") from None
    except OSError as e:
        raise UserError(f"cannot be written ({e.strerror})", where=str(out)) from None
    output.data({"settings": str(out)}) if output.json else say(str(out))
