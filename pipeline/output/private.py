"""Files that only their owner can read, written whole or not at all."""

from __future__ import annotations

import contextlib
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


def write_new(path: Path, content: bytes) -> None:
    """Write a whole file where there is none yet, for the owner alone; FileExistsError where there is one."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".writing-", suffix=path.suffix)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(name).chmod(_FILE)
        try:
            path.hardlink_to(name)  # unlike a rename, never takes the place of another's
        except FileExistsError:
            raise
        except OSError:  # some disks have no links
            if path.exists():
                raise FileExistsError(path) from None
            Path(name).replace(path)
        _keep_names(path.parent)
    finally:
        Path(name).unlink(missing_ok=True)


def settle(part: Path, path: Path) -> None:
    """Give a file that was made under another name in its folder its own, once it is on the disk."""
    with part.open("rb+") as file:
        os.fsync(file.fileno())
    part.replace(path)
    _keep_names(path.parent)


def _keep_names(folder: Path) -> None:
    """Bring the names of a folder to the disk; a system that opens no folders does so by itself."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


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
