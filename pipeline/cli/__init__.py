"""The command line: parse, call, print. No logic.

Whatever is slow to import is imported inside the command that needs it, so that `--help` and a typing mistake answer at
once. Results go to stdout, talk to stderr. Exit status: 0 done; 1 done, but findings need attention; 2 bad usage or
unreadable input; 3 a fault of the program.
"""

from __future__ import annotations

import atexit
import datetime as dt
import gc
import json
import os
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipeline.cli.columns import columns
from pipeline.errors import UserError

if TYPE_CHECKING:
    import duckdb

    from pipeline.importing.quarantine import Refused
    from pipeline.measures.run import Result, Workspace
    from pipeline.settings import Settings
    from pipeline.sources.unread import LeftOut

app = typer.Typer(
    name="canalwise",
    help="Chair time, instrument consumption, separations and healing by root canal sequence, from a practice's own "
    "exports. For quality review, not for treatment decisions.",
    no_args_is_help=True,
    add_completion=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
report_app = typer.Typer(help="Render reports: monthly, incidents, outcomes, or all.")
quarantine_app = typer.Typer(invoke_without_command=True, context_settings={"help_option_names": ["-h", "--help"]})
app.add_typer(quarantine_app, name="quarantine")

StoreOption = Annotated[
    Path, typer.Option("--store", envvar="CANALWISE_STORE", help="The store, a DuckDB file.", show_default=True)
]
SettingsOption = Annotated[
    Path | None, typer.Option("--settings", help="The practice's settings. Default: ./canalwise.toml if it exists.")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Machine-readable output on stdout.")]
QuietOption = Annotated[bool, typer.Option("--quiet", "-q", help="No talk on stderr.")]
STORE = Path("canalwise.duckdb")


def main() -> None:
    """Run the command line: whatever goes wrong is one line on stderr. Exit status 2, or 3 for a fault of our own."""
    # Libraries make objects by the hundred thousand as they load, none of them garbage: looking through them again and
    # again for some took a sixth of the time, and once more at the end a third of a second.
    gc.set_threshold(100_000)
    atexit.register(gc.freeze)
    try:
        raise SystemExit(app(prog_name="canalwise", standalone_mode=False) or 0)
    except UserError as e:
        typer.echo(f"canalwise: {e}", err=True)
        raise SystemExit(e.exit_code) from None
    except BrokenPipeError:
        # The reader of our output has gone (`| head`); there is nobody left to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise SystemExit(0) from None
    except Exception as e:
        if os.environ.get("CANALWISE_TRACEBACK"):
            raise
        text, code = _in_one_line(e)
        if text:
            typer.echo(f"canalwise: {text}", err=True)
        raise SystemExit(code) from None


def _in_one_line(error: Exception) -> tuple[str, int]:
    """What is said of an error that is no UserError, and the exit status."""
    wrong_usage = getattr(error, "format_message", None)  # Typer's own errors
    if wrong_usage:
        text, context = str(wrong_usage()).strip().rstrip("."), getattr(error, "ctx", None)
        command = context.command_path if context else "canalwise"
        # Without any arguments Typer has shown the help already, and says no more.
        return f"{text}. `{command} --help` shows what there is." if text else "", 2
    if isinstance(error, OSError) or type(error).__name__ in ("IOException", "OutOfMemoryException"):  # DuckDB's
        where = f"{error.filename}: " if isinstance(error, OSError) and error.filename else ""
        what = error.strerror if isinstance(error, OSError) and error.strerror else str(error).partition("\n")[0]
        return f"{where}{what}. Is the disk full, or the folder somebody else's?", 2
    # Not the error's own text: it may hold values of records.
    import traceback

    frame = traceback.extract_tb(error.__traceback__)[-1]
    place = f"{type(error).__name__} in {Path(frame.filename).name}, line {frame.lineno}"
    return f"a fault of the program ({place}). CANALWISE_TRACEBACK=1 shows all of it; please report it.", 3


def _version(value: bool) -> None:
    if value:
        from importlib.metadata import version

        typer.echo(f"canalwise {version('canalwise')}")
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and leave.")
    ] = False,
) -> None:
    pass


def _talk(quiet: bool) -> Any:
    return (lambda _: None) if quiet else (lambda text: typer.echo(text, err=True))


def _settings(path: Path | None) -> Settings:
    from pipeline.settings import load_settings

    return load_settings(path)


@contextmanager
def _reading(store: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    from pipeline.store.database import open_store

    with open_store(store) as connection:
        yield connection


def _print_json(data: Any) -> None:
    typer.echo(json.dumps(data, default=_jsonable, ensure_ascii=False, allow_nan=False))


def _jsonable(value: Any) -> str:
    if isinstance(value, dt.date | dt.datetime):
        return value.isoformat()
    raise TypeError(f"{type(value).__name__} has no JSON form")


def _names(text: str | None) -> tuple[str, ...]:
    return tuple(name.strip() for name in (text or "").split(",") if name.strip())


def _only(wanted: list[str] | None) -> dict[str, str]:
    only: dict[str, str] = {}
    for text in wanted or []:
        group, equals, value = text.partition("=")
        if not (group and equals and value):
            raise UserError(f"--where {text} is not GROUP=VALUE", do="Write it as dentist=D1")
        if group in only:
            raise UserError(f"--where names {group} twice", do="Give each group one value")
        only[group] = value
    return only


def _date(text: str | None, option: str) -> dt.date | None:
    if text is None:
        return None
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise UserError(f"{option} {text} is not a date", do="Write it as 2026-03-31") from None


@app.command()
def demo(
    out: Annotated[Path, typer.Option("--out", help="A new or empty folder.")] = Path("canalwise-demo"),
    json_: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Make an invented practice's exports, import and check them, and render all reports."""
    from demo_data.generate import generate
    from pipeline.importing.ingest import ingest as run_ingest
    from pipeline.settings import load_settings
    from reports.render import render

    talk = _talk(quiet)
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise UserError("exists and is not an empty folder", where=str(out), do="Give --out a new folder")
    os.umask(0o077)
    talk("Inventing a practice: three years, four dentists, four sequences ...")
    generate(out / "exports")
    store, settings = out / "canalwise.duckdb", load_settings(out / "exports" / "canalwise.toml")
    exports, mapping = out / "exports", out / "exports" / "frontdesk.toml"
    files = []
    for paths, how in (
        ([exports / "chairside"], None),
        ([exports / "frontdesk", exports / "recalls.xlsx"], mapping),
    ):
        for done in run_ingest(store, paths, settings, mapping_file=how, progress=talk):
            files.append(done)
    talk("Rendering reports ...")
    with _reading(store) as connection:
        pages = render(connection, settings, out / "reports", progress=lambda t: talk(f"  {t}"))
    if json_:
        _print_json(
            {
                "files": [f.as_json() for f in files],
                "store": str(store),
                "reports": [str(p) for p in pages],
                "index": str(out / "reports" / "index.html"),
            }
        )
        return
    from pipeline.output.terminal import table

    table([f.as_json() for f in files], drop=("skipped",))
    program = "canalwise" if shutil.which("canalwise") else sys.argv[0]  # as it can be typed here
    typer.echo(
        f"\nOpen {out / 'reports' / 'index.html'} in a browser.\n"
        f"Exports: {exports}   Store: {store}\n"
        f"Refused rows, with reasons: {program} quarantine --store {store}\n"
        f"A figure: {program} measure healed_share --by sequence --store {store} "
        f"--settings {exports / 'canalwise.toml'}"
    )


@app.command()
def init(
    out: Annotated[Path, typer.Option("--out", help="Where to write it.")] = Path("canalwise.toml"),
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
    typer.echo(str(out))


@app.command()
def mapping(
    paths: Annotated[list[Path], typer.Argument(help="Files or folders of exports.", metavar="PATH...")],
    out: Annotated[Path | None, typer.Option("--out", help="A new file for the draft, instead of stdout.")] = None,
    json_: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Draft a mapping file for unknown exports: which column is what, with evidence; the unsure is asked."""
    if out and out.exists():
        raise UserError("exists already", where=str(out), do="Give --out another name, or remove it first")
    from pipeline.mapping.draft.draft import draft

    talk = _talk(quiet)
    drafted = draft(paths, progress=talk, to=out)
    if out:
        drafted.write(out)
    if json_:
        _print_json(drafted.as_json())
    elif not out:
        typer.echo(drafted.text, nl=False)
    if drafted.questions:
        many = "1 question is" if len(drafted.questions) == 1 else f"{len(drafted.questions)} questions are"
        talk(f'{many} open; they stand in the draft as lines that begin with "#?".')
        raise typer.Exit(1)


app.command()(columns)


@app.command()
def ingest(
    paths: Annotated[list[Path] | None, typer.Argument(help="Files or folders of exports.", metavar="PATH...")] = None,
    as_kind: Annotated[
        str | None, typer.Option("--as", help="The record kind, when the header leaves it open.")
    ] = None,
    mapping: Annotated[
        Path | None, typer.Option("--mapping", help="A mapping file for exports with other headers.")
    ] = None,
    undo: Annotated[
        int | None, typer.Option("--undo", metavar="BATCH", help="Take an import out again; `status` numbers them.")
    ] = None,
    store: StoreOption = STORE,
    settings: SettingsOption = None,
    json_: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Import exports. Prints for each file: read = loaded + unchanged + superseded + quarantined."""
    if (undo is None) == (not paths):
        raise UserError("give either PATH... to import, or --undo BATCH", do="`canalwise ingest --help` says more")
    if undo is not None:
        _undo(store, undo, json_, _talk(quiet))
        return
    from pipeline.importing import not_records
    from pipeline.importing.ingest import ingest as run_ingest
    from pipeline.output.terminal import table

    talk = _talk(quiet)
    files = []
    left: list[LeftOut] = []
    told: dict[str, None] = {}  # a file of several kinds is read for each, but its lines are told once
    failed: UserError | None = None
    try:
        for done in run_ingest(
            store,
            paths or [],
            _settings(settings),
            as_kind=as_kind,
            mapping_file=mapping,
            progress=talk,
            leave_out=left.append,
        ):
            files.append(done)
            told.update(dict.fromkeys(not_records.aside(done.file, done.aside)))
    except UserError as e:
        failed = e  # what is in the store is told all the same
    for line in told:
        talk(line)
    if json_ and (files or not failed):
        left_out = {"left_out": [one.as_json() for one in left]} if left else {}
        _print_json({"files": [f.as_json() for f in files], **left_out, "store": str(store)})
    elif files:
        table([f.as_json() for f in files], drop=() if any(f.counts.blanked for f in files) else ("blanked",))
    for one in files:
        for column in one.misread:
            talk(
                f"{one.file}: nearly every cell of {one.kind}.{column} was left empty: it may be another column, or "
                "its unit, notation or format not what the mapping says."
            )
    for left_one in left:
        talk(f"Left out: {left_one.error}")
    if failed:
        raise failed
    refused, blanked = sum(f.counts.quarantined for f in files), sum(f.counts.blanked for f in files)
    if refused or blanked:
        talk(f"{_refused_and_empty(refused, blanked)}; `canalwise quarantine` lists them with their reasons.")
    if refused or left or any(f.misread for f in files):
        raise typer.Exit(1)


def _refused_and_empty(rows: int, cells: int) -> str:
    """3 rows were refused, 14 cells left empty"""
    said = [f"{rows:,} row{' was' if rows == 1 else 's were'} refused"] if rows else []
    verb = "" if rows else " was" if cells == 1 else " were"
    said += [f"{cells:,} cell{'' if cells == 1 else 's'}{verb} left empty"] if cells else []
    return ", ".join(said)


def _undo(store: Path, batch: int, json_: bool, talk: Any) -> None:
    from pipeline.importing.ingest import undo

    again = undo(store, batch, talk)
    if json_:
        _print_json({"undone": batch, "import_again": again, "store": str(store)})
        return
    typer.echo(f"Batch {batch} is out of the store; what it had superseded is back.")
    for file in again:
        typer.echo(f"Import again: {file} (rows of it depended on this batch)")


KindOption = Annotated[str | None, typer.Option("--kind", help="Only rows of this record kind.")]
ReasonOption = Annotated[str | None, typer.Option("--reason", metavar="RULE", help="Only rows refused by this rule.")]
FileOption = Annotated[
    str | None, typer.Option("--file", metavar="NAME", help="Only rows of this file, or of visits*.csv.")
]
BatchOption = Annotated[
    int | None, typer.Option("--batch", metavar="N", help="Only rows of this import; see `status`.")
]
ColumnOption = Annotated[str | None, typer.Option("--column", help="Only rows refused for this column.")]
_SHOWN = 40  # refused rows; of more, those are shown after a summary by reason


@quarantine_app.callback()
def quarantine(
    context: typer.Context,
    kind: KindOption = None,
    reason: ReasonOption = None,
    file: FileOption = None,
    batch: BatchOption = None,
    column: ColumnOption = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="Write them to FILE.csv or FILE.xlsx, to be mended and imported.")
    ] = None,
    store: StoreOption = STORE,
    json_: JsonOption = False,
) -> None:
    """List refused rows and cells left empty: where each stands in its export, and why."""
    if context.invoked_subcommand:
        return
    from pipeline.importing import quarantine as books

    if out:
        books.check_format(out)
    wanted = books.Wanted(kind, reason, file, batch, column)
    with _reading(store) as connection:
        rows = books.refused(connection, wanted)
        reasons = books.by_reason(connection, wanted)
        counted = books.counted(connection, wanted)
    if out:
        for path, number in books.export(rows, out):
            typer.echo(f"{number} row{'' if number == 1 else 's'}: {path}", err=True)
    elif json_:
        counts = dict(zip(("refused", "blanked"), counted, strict=True))
        _print_json({"rows": [row.as_json() for row in rows], "by_reason": reasons, **counts, "store": str(store)})
    else:
        _print_refused(rows, reasons, *counted)
    if rows:
        raise typer.Exit(1)


def _print_refused(rows: list[Refused], reasons: list[dict[str, Any]], refused: int, blanked: int) -> None:
    from pipeline.output.terminal import table

    shown = rows
    if rows:
        typer.echo(f"{_refused_and_empty(refused, blanked)}{':' if len(rows) > _SHOWN else '.'}")
    if len(rows) > _SHOWN:
        table(reasons, drop=("hint", *(name for name, n in (("rows", refused), ("cells", blanked)) if not n)))
        for line in reasons:
            if line["hint"]:
                typer.echo(f"{line['rule']}: {line['hint']}")
        shown = rows[:_SHOWN]
        typer.echo(f"\nThe first {_SHOWN}; --reason, --file, --column and --kind choose others, --out writes all:")
    table(
        [{"file": row.file, "row": row.row, "kind": row.kind, "what": row.told, "reason": row.reason} for row in shown],
        empty="Nothing is in quarantine.",
    )


@quarantine_app.command()
def retry(
    mapping: Annotated[
        Path | None, typer.Option("--mapping", help="A mended mapping file. Default: as each row was read before.")
    ] = None,
    kind: KindOption = None,
    reason: ReasonOption = None,
    file: FileOption = None,
    batch: BatchOption = None,
    column: ColumnOption = None,
    store: StoreOption = STORE,
    json_: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Read refused rows and those with cells left empty again, by today's rules; what passes goes into the store."""
    from pipeline.importing import quarantine as books
    from pipeline.mapping.model import load_mapping
    from pipeline.store.database import open_store
    from pipeline.store.pseudonyms import load_key

    talk = _talk(quiet)
    wanted = books.Wanted(kind, reason, file, batch, column)
    mended = load_mapping(mapping) if mapping else None
    if not store.exists():
        raise UserError("there is no store here", where=str(store), do="Import something first: canalwise ingest PATH")
    with open_store(store, write=True) as connection:
        standing = books.standing(connection, wanted, mended) if mended else []
        done = list(books.retry(connection, load_key(store), wanted, mended, talk))
        refused, blanked = books.counted(connection)
    if json_:
        files, stand = [d.as_json() for d in done], [s.as_json() for s in standing]
        left = {"quarantined": refused, "blanked": blanked}
        _print_json({"files": files, **left, "standing": stand, "store": str(store)})
    else:
        from pipeline.output.terminal import table

        table([d.as_json() for d in done], empty="Nothing was in quarantine.", drop=("left",))
        for of_file in done:
            for why in of_file.left:
                talk(f"{of_file.file}: {why}")
    for one in standing:
        talk(one.told(str(mapping)))
    if refused or blanked:
        talk(f"Still in quarantine: {_refused_and_empty(refused, blanked)}.")
    if refused or blanked or standing:
        raise typer.Exit(1)


@app.command()
def check(store: StoreOption = STORE, json_: JsonOption = False, quiet: QuietOption = False) -> None:
    """Run every suite and every rule across kinds on the store; print and store the result."""
    from pipeline.checks.store import check as run_check
    from pipeline.importing.quarantine import retry_dated
    from pipeline.store.batches import today
    from pipeline.store.database import open_store
    from pipeline.store.pseudonyms import load_key

    if not store.exists():
        raise UserError("there is no store here", where=str(store), do="Import something first: canalwise ingest PATH")
    with open_store(store, write=True) as connection:
        retry_dated(connection, load_key(store), _talk(quiet))
        outcome = run_check(connection, today(connection), _talk(quiet))
    if json_:
        _print_json(outcome.as_json())
    else:
        from pipeline.output.terminal import table

        table(outcome.as_json()["suites"])
        if outcome.findings:
            typer.echo("")
            table(outcome.findings)
    if not outcome.success:
        raise typer.Exit(1)


@app.command()
def measures(json_: JsonOption = False) -> None:
    """List the measures."""
    from pipeline.measures.catalogue import catalogue
    from pipeline.output.terminal import table

    rows = [{"measure": m.name, "title": m.title, "unit": m.unit, "kind": m.kind} for m in catalogue().values()]
    _print_json({"measures": rows}) if json_ else table(rows)


@app.command()
def explain(
    name: Annotated[str, typer.Argument(metavar="NAME", help="A measure.")],
    store: StoreOption = STORE,
    settings: SettingsOption = None,
    json_: JsonOption = False,
) -> None:
    """Explain a measure: definition, formula, source, a worked example; of a store also its own figures."""
    from pipeline.measures.catalogue import find
    from pipeline.measures.explain import explained, explained_json

    measure, own = find(name), _settings(settings)
    explain_ = explained_json if json_ else explained
    if store == STORE and not store.exists():  # a measure can be explained before there is a store
        said = explain_(measure, own)
    else:
        with _workspace(store, settings) as workspace:
            said = explain_(measure, own, workspace)
    _print_json(said) if json_ else typer.echo(said)


@app.command()
def measure(
    name: Annotated[str, typer.Argument(metavar="NAME", help="A measure; `canalwise measures` lists them.")],
    by: Annotated[str | None, typer.Option("--by", help="Groups, e.g. sequence,tooth_type.")] = None,
    where: Annotated[
        list[str] | None,
        typer.Option("--where", metavar="GROUP=VALUE", help="Only these units, e.g. dentist=D1; may be repeated."),
    ] = None,
    from_: Annotated[str | None, typer.Option("--from", help="First day, e.g. 2026-01-01.")] = None,
    to: Annotated[str | None, typer.Option("--to", help="Last day.")] = None,
    process: Annotated[bool, typer.Option("--process", help="A process chart by month; by dentist a CUSUM.")] = False,
    as_of: Annotated[
        str | None, typer.Option("--as-of", metavar="DAY", help="Follow-up, dues and ages as on that day.")
    ] = None,
    known_on: Annotated[
        str | None, typer.Option("--known-on", metavar="DAY", help="As known then: later imports do not count.")
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", help="FILE.csv, .parquet, .xlsx or .json instead.")] = None,
    store: StoreOption = STORE,
    settings: SettingsOption = None,
    json_: JsonOption = False,
) -> None:
    """Compute a measure, with n, interval, and what was left out."""
    from pipeline.measures.answers import unheard
    from pipeline.measures.catalogue import find
    from pipeline.measures.process_chart import process_chart
    from pipeline.measures.process_cusum import process_cusum
    from pipeline.measures.sentence import with_sentences
    from pipeline.measures.uncatalogued import to_write

    find(name)
    start, end, known = _date(from_, "--from"), _date(to, "--to"), _date(known_on, "--known-on")
    only, on = _only(where), _date(as_of, "--as-of")
    if start and end and start > end:
        raise UserError(f"--from {start} is after --to {end}", do="Swap them")
    if out:
        from pipeline.output.rows import check_format

        check_format(out)
    with _workspace(store, settings, known, on) as workspace:
        if process and _names(by) in ((), ("month",)):
            result: Result = process_chart(workspace, name, only, start, end)
        elif process:
            if only:
                raise UserError("--where does not go with a CUSUM, which compares groups", do="Give --by alone")
            result = process_cusum(workspace, name, _names(by), start, end)
            for line in unheard(workspace):
                typer.echo(line, err=True)
        else:
            found = workspace.compute(name, _names(by), start, end, only)
            result = with_sentences(found, workspace.settings.reporting.confidence)
        lacking = to_write(workspace) if name == "adherence" else ""
    if out:
        from pipeline.output.rows import write_rows

        write_rows(result.rows, out, title=result.measure, whole=result.as_json())
        typer.echo(str(out), err=True)
    elif json_:
        more = ({"known_on": known} if known else {}) | ({"to_write": lacking} if lacking else {})
        _print_json(result.as_json() | more)
    else:
        _print_result(result, empty=lacking or "Nothing to show.")
        if lacking and result.rows:
            typer.echo(f"\n{lacking}")
    if known:
        typer.echo(
            f"As known on {known}: later imports do not count; refusals that they settled are not told again.", err=True
        )


@contextmanager
def _workspace(
    store: Path, settings: Path | None, known_on: dt.date | None = None, as_of: dt.date | None = None
) -> Iterator[Workspace]:
    from pipeline.measures.run import Workspace
    from pipeline.store.known import end_of

    own = _settings(settings)
    with _reading(store) as connection:
        known = end_of(known_on, own.time_zone) if known_on else None
        yield Workspace(connection, own, as_of, known)


# Of a comparison a table shows these; --json and --out have every figure.
_OF_COMPARISONS = frozenset(
    (
        *("reference", "n", "n_reference", "crude_difference", "estimate", "low", "high", "p_adjusted"),
        *("mantel_haenszel_difference", "e_value", "alone", "alone_reference", "too_few"),
    )
)

_OF_RATES = frozenset(
    (
        *("reference", "n", "events", "rate", "n_reference", "events_reference", "rate_reference", "crude_ratio"),
        *("estimate", "low", "high", "p_adjusted", "method", "events_used", "too_few"),
    )
)


_ASIDE = ("told_from", "at_least_low", "at_most_high")  # of an event seen only at visits


def _print_result(result: Result, empty: str = "Nothing to show.") -> None:
    from pipeline.measures.catalogue import find
    from pipeline.output.terminal import table

    timed = find(result.measure).time_unit if any("time" in row for row in result.rows) else ""
    typer.echo(f"{result.title} ({result.unit}{f'; time in {timed}' if timed else ''})")
    if result.kind in ("comparison", "rate_comparison"):
        shown = _OF_COMPARISONS if result.kind == "comparison" else _OF_RATES
        aside = {key for row in result.rows for key in row} - shown - {*result.by}
        table(result.rows, empty="Nothing to compare.", drop=tuple(aside))
        for row in result.rows:
            typer.echo(row["sentence"])
    else:
        table(result.rows, empty=empty, drop=_ASIDE if result.kind == "interval_censored" else ())
    if signals := getattr(result, "signals", None):
        typer.echo("Signals:")
        for signal in signals:
            typer.echo(f"  {signal['says']}")
    for note in getattr(result, "notes", ()):
        typer.echo(note)
    for left in result.left_out:
        typer.echo(f"left out: {left['n']} - {left['reason']}")
    if result.suppressed:
        typer.echo(f"too few to report, or withheld because the total would tell those: {result.suppressed} groups")


@app.command()
def stock(
    by: Annotated[str, typer.Option("--by", help="Groups: size, motion or both.")] = "motion,size",
    store: StoreOption = STORE,
    settings: SettingsOption = None,
    json_: JsonOption = False,
) -> None:
    """Instruments in stock: how long they last, and how many the next 30, 60 and 90 days will need."""
    from pipeline.output.terminal import table
    from pipeline.questions.stock import lines

    with _workspace(store, settings) as workspace:
        result = workspace.compute("stock_forecast", _names(by))
    if json_:
        _print_json(result.as_json())
        return
    typer.echo(f"{result.title} ({result.unit})")
    table(lines(result), empty="No instrument was used in the months that are counted, and none is in stock.")
    for left in result.left_out:
        typer.echo(f"left out: {left['n']} - {left['reason']}")


@app.command()
def recall(
    on: Annotated[str | None, typer.Option("--on", help="The day. Default: the latest date in the store.")] = None,
    store: StoreOption = STORE,
    settings: SettingsOption = None,
    json_: JsonOption = False,
) -> None:
    """Who is due or overdue for follow-up, and since when: incidents and lesions first."""
    day = _date(on, "--on")
    from pipeline.measures.run import Workspace
    from pipeline.output.terminal import table
    from pipeline.questions.recall import due, due_sentence

    with _reading(store) as connection:
        workspace = Workspace(connection, _settings(settings), day)
        rows = due(workspace)
    if json_:
        _print_json({"on": workspace.as_of, "rows": rows})
        return
    table(rows, empty="Nobody is due for follow-up.")
    if rows:
        typer.echo(due_sentence(rows, workspace.as_of))


@app.command()
def trace(
    instrument: Annotated[str | None, typer.Option("--instrument", metavar="ID", help="One instrument.")] = None,
    lot: Annotated[str | None, typer.Option("--lot", metavar="LOT", help="All instruments of a lot.")] = None,
    store: StoreOption = STORE,
    settings: SettingsOption = None,
    json_: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """List every canal and patient (pseudonym) that an instrument or a lot touched, with result and follow-up."""
    if (instrument is None) == (lot is None):
        raise UserError("give either --instrument ID or --lot LOT", do="`canalwise trace --help` says more")
    from pipeline.questions.trace import trace as follow

    with _workspace(store, settings) as workspace:
        found = follow(workspace.connection, instrument, lot)
    if json_:
        _print_json({**found.as_json(), "instrument": instrument, "lot": lot, "store": str(store)})
        return
    from pipeline.output.terminal import table

    table(found.instruments, drop=("practice",), empty="No instrument of this lot is named.")
    typer.echo("")
    table(found.canals, drop=("practice",), empty="It was in no canal that the store knows of.")
    canals, patients = len({(r["treatment_id"], r["canal"]) for r in found.canals}), found.patients
    typer.echo(f"\n{canals} canal{'' if canals == 1 else 's'} of {patients} patient{'' if patients == 1 else 's'}.")
    talk = _talk(quiet)
    if found.untracked_uses:
        names = "instrument" if instrument is not None else "instrument and no lot"
        talk(f"{found.untracked_uses} uses in the store name no {names}: this trace cannot see them.")
    if found.quarantined:
        talk(f"{found.quarantined} rows on instruments, uses and incidents are in quarantine: `canalwise quarantine`.")


@app.command()
def report(
    which: Annotated[str, typer.Argument(help="monthly, incidents, outcomes or all.")] = "all",
    month: Annotated[str | None, typer.Option("--month", help="The month under review, e.g. 2026-03.")] = None,
    dentist: Annotated[str | None, typer.Option("--dentist", help="Only this dentist's own outcomes.")] = None,
    out: Annotated[Path, typer.Option("--out", help="The folder of the pages.")] = Path("reports-out"),
    pdf: Annotated[bool, typer.Option("--pdf", help="Also make each page as a PDF for paper.")] = False,
    paper: Annotated[str, typer.Option("--paper", help="The PDFs' paper: a4 or letter.")] = "a4",
    store: StoreOption = STORE,
    settings: SettingsOption = None,
    json_: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Render reports: pages that open from disk, each with its figures in a workbook, and as PDF where wanted."""
    if which not in ("all", "monthly", "incidents", "outcomes"):
        raise UserError(f"there is no report {which}", do="Choose monthly, incidents, outcomes or all")
    if month is not None:
        _date(f"{month}-01", "--month")
    if paper != "a4" and not pdf:
        raise UserError(f"--paper {paper} is the paper of PDFs, and none are asked for", do="Add --pdf")
    from reports.render import render

    talk = _talk(quiet)
    with _reading(store) as connection:
        pages = render(
            connection,
            _settings(settings),
            out,
            which=which,
            month=month,
            dentist=dentist,
            progress=talk,
            pdf=paper.lower() if pdf else None,
        )
    if json_:
        _print_json({"reports": [str(p) for p in pages]})
    else:
        for page in pages:
            typer.echo(str(page))


@app.command()
def status(
    history: Annotated[
        str | None, typer.Option("--history", metavar="KIND", help="List the superseded records of a kind instead.")
    ] = None,
    store: StoreOption = STORE,
    json_: JsonOption = False,
) -> None:
    """What is in the store: records and dates of each kind, and every import."""
    from pipeline.output.terminal import table
    from pipeline.store import status as books

    with _reading(store) as connection:
        if history is not None:
            replaced = books.superseded(connection, history)
            if json_:
                _print_json({"superseded": replaced})
            else:
                table(replaced, empty=f"No record of {history} was superseded.")
            return
        found = books.status(connection)
    if json_:
        _print_json(found)
        return
    table([{"kind": kind, **row} for kind, row in found["kinds"].items()], drop=("completeness",))
    typer.echo("\nOptional columns, share of records in which each is filled:")
    for kind, row in found["kinds"].items():
        if row["records"]:
            typer.echo(f"{kind}: " + ", ".join(f"{c} {share:.0%}" for c, share in row["completeness"].items()))
    typer.echo("")
    table(found["batches"])


if __name__ == "__main__":
    main()
