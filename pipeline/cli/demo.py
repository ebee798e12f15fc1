"""`canalwise demo`"""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli.command import Output, command
from pipeline.cli.opened import reading
from pipeline.cli.words import IMPORTED
from pipeline.errors import UserError
from pipeline.output.terminal import say

if TYPE_CHECKING:
    from pipeline.importing.ingest import Imported


@command(tables=True)
def demo(
    output: Output,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="A new or empty folder.")] = Path("canalwise-demo"),
) -> None:
    """Make an invented practice's exports, import and check them, and render all reports."""
    from demo_data.generate import generate
    from pipeline.importing.ingest import ingest
    from pipeline.settings import load_settings
    from reports.render import render

    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise UserError("exists and is not an empty folder", where=str(out), do="Give --out a new folder")
    os.umask(0o077)
    with output.progress() as bar:
        bar.line("Inventing a practice: three years, four dentists, four sequences ...")
        generate(out / "exports")
        store, settings = out / "canalwise.duckdb", load_settings(out / "exports" / "canalwise.toml")
        exports, mapping = out / "exports", out / "exports" / "frontdesk.toml"
        files: list[Imported] = []
        for paths, how in (
            ([exports / "chairside"], None),
            ([exports / "frontdesk", exports / "recalls.xlsx"], mapping),
        ):
            files += ingest(store, paths, settings, mapping_file=how, progress=bar.line, part=bar.part)
        bar.line("Rendering reports ...")
        bar.part(0, 1)
        with reading(store) as connection:
            pages = render(
                connection,
                settings,
                out / "reports",
                progress=lambda t: bar.line(f"  {t}"),
                part=bar.part,
                settings_from="canalwise.toml",
            )
    if output.json:
        output.data(
            {
                "files": [f.as_json() for f in files],
                "store": str(store),
                "reports": [str(p) for p in pages],
                "index": str(out / "reports" / "index.html"),
            }
        )
        return
    output.table([f.as_json() for f in files], drop=("skipped",), **IMPORTED)
    program = "canalwise" if shutil.which("canalwise") else sys.argv[0]  # as it can be typed here
    say()
    say(f"Open {out / 'reports' / 'index.html'} in a browser.")
    say(f"Exports: {exports}")
    say(f"Store: {store}")
    # Lines to be copied stay whole.
    say(f"Refused rows, with reasons:\n  {program} quarantine --store {store}")
    figure = f"measure healed_share --by sequence --store {store}"
    say(f"A figure:\n  {program} {figure}")
