"""Whatever goes wrong is one line on stderr."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any

from pipeline.errors import UserError
from pipeline.output.terminal import talk


def run(app: Any) -> None:
    """Run the command line and leave. Exit status 2 for what is the user's to mend, 3 for a fault of our own."""
    try:
        raise SystemExit(app(prog_name="canalwise", standalone_mode=False) or 0)
    except UserError as e:
        talk(f"canalwise: {e}")
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
            talk(f"canalwise: {text}")
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
