"""Files that only their owner can read, written whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from pipeline.errors import UserError

_FILE, _FOLDER = 0o600, 0o700


def write(path: Path, content: str | bytes) -> Path:
    """Write a whole file or none, readable by the owner alone even where one lay there before; text as UTF-8.

    It is made under another name in the same folder, brought to the disk, and then takes the place of what was there.
    """
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".writing-", suffix=path.suffix)  # 0600 by its nature
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content if isinstance(content, bytes) else content.encode("utf-8"))
            file.flush()
            os.fsync(file.fileno())
        Path(name).chmod(_FILE)  # the same on every system
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    return path


def write_for_user(path: Path, content: str | bytes) -> Path:
    """As `write`, to where a user asked for it: what prevents it is a UserError."""
    if not path.parent.is_dir():
        raise UserError("the folder does not exist", where=str(path.parent), do="Make it first")
    if path.is_dir():
        raise UserError("is a folder", where=str(path), do="Give the name of a file")
    try:
        return write(path, content)
    except OSError as e:
        raise UserError(f"cannot be written ({e.strerror})", where=str(path)) from None


def folder(path: Path) -> Path:
    """The folder, made for the owner alone if it does not exist; one that exists keeps its permissions."""
    missing = []
    at = path
    while not at.exists():
        missing.append(at)
        at = at.parent
    for each in reversed(missing):
        each.mkdir(mode=_FOLDER, exist_ok=True)
        each.chmod(_FOLDER)  # whatever the umask
    return path
