"""Answers of measures, kept beside the store with its facts: pages of the same records ask nothing twice.

They hold for one state: of the store, the settings, the day, and the program with what it computes with. Any other
state has none of them, and nothing depends on them. They are what pages show, small groups withheld.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import json
import platform
from collections.abc import Hashable
from functools import cache
from importlib import import_module, metadata, resources
from pathlib import Path
from typing import Any

from pipeline.facts.kept import DATABASE, open_file

_TABLE = f"{DATABASE}.answers"
_COMPUTES = ("duckdb", "numpy", "polars", "pyarrow", "scipy")
_CODE = (".py", ".sql", ".toml", ".json")
_RESULTS = {"Result": "run", "ProcessChart": "process_chart", "ProcessCusum": "process_cusum"}  # and their modules


class KeptAnswers:
    """Answers of one state of a store: `find` those of an earlier rendering, `add` new ones, `write` them down."""

    def __init__(self, connection: Any, settings: Any) -> None:
        self._connection = connection
        self._state = _state(connection, settings) if connection is not None and _open(connection) else None
        self._found: dict[str, str] = {}
        self._new: dict[str, str] = {}
        if self._state is not None:
            query = f"select question, answer from {_TABLE} where state = ?"
            self._found = dict(connection.execute(query, [self._state]).fetchall())

    @property
    def there(self) -> bool:
        """Whether an earlier rendering left any: then little is computed."""
        return bool(self._found)

    def find(self, question: tuple[Hashable, ...]) -> tuple[Any, tuple[str, ...]] | None:
        """The result of a question, None if something is missing, and what is; None where no answer is kept."""
        text = self._found.get(repr(question))
        return None if text is None else _read(text)

    def add(self, question: tuple[Hashable, ...], result: Any, missing: tuple[str, ...]) -> None:
        """Take up an answer, if it can be written so that the same is read."""
        if self._state is None:
            return
        with contextlib.suppress(TypeError, ValueError):
            text = _written(result, missing)
            if _read(text) == (result, missing):
                self._new[repr(question)] = text

    def write(self) -> None:
        """Write down the new answers; those of any other state go."""
        if self._state is None or not self._new:
            return
        import duckdb

        self._connection.begin()
        try:
            self._connection.execute(f"delete from {_TABLE} where state <> ?", [self._state])
            self._connection.execute(
                f"insert into {_TABLE} select $state, unnest($questions), unnest($answers)",
                {"state": self._state, "questions": list(self._new), "answers": list(self._new.values())},
            )
            self._connection.commit()
        except BaseException as e:
            with contextlib.suppress(duckdb.Error):
                self._connection.rollback()
            if not isinstance(e, duckdb.Error):  # pages are whole without: the disk may be full
                raise


def _open(connection: Any) -> bool:
    if not open_file(connection, least_rows=0):
        return False
    import duckdb

    try:
        connection.execute(f"create table if not exists {_TABLE} (state varchar, question varchar, answer varchar)")
    except duckdb.Error:
        return False
    return True


def _state(connection: Any, settings: Any) -> str:
    """Of all that an answer follows from, beside the question itself."""
    (store,) = connection.execute(
        "select path from duckdb_databases() where database_name = current_database()"
    ).fetchone()
    (token,) = connection.execute("select token from store_state").fetchone()
    file = Path(store).stat()  # of another writer there may be no other token
    seen = [token, file.st_size, file.st_mtime_ns, settings.model_dump_json(), dt.date.today(), _program()]
    return hashlib.sha256(repr(seen).encode()).hexdigest()


@cache
def _program() -> str:
    """The program and what it computes with: every text of it, as it may change without a version."""
    found = hashlib.sha256(platform.python_version().encode())
    for library in _COMPUTES:
        found.update(metadata.version(library).encode())
    own = [Path(__file__), Path(__file__).with_name("source.py")]
    for package in ("pipeline", "expectations"):
        with resources.as_file(resources.files(package)) as folder:
            own += [path for path in sorted(folder.rglob("*")) if path.suffix in _CODE]
    for path in own:
        found.update(path.read_bytes())
    return found.hexdigest()


def _written(result: Any, missing: tuple[str, ...]) -> str:
    """An answer as JSON. TypeError for values that have no form there."""
    what = type(result).__name__ if result is not None else None
    fields = None if result is None else vars(result) | {"by": list(result.by)}
    return json.dumps([what, fields, missing], ensure_ascii=False, default=_form, separators=(",", ":"))


def _form(value: Any) -> Any:
    if type(value) is dt.date:
        return {_DAY: value.isoformat()}
    raise TypeError(f"{type(value).__name__} is not kept")


_DAY = "\x00day"  # no column is called so


def _read(text: str) -> tuple[Any, tuple[str, ...]]:
    what, fields, missing = json.loads(text, object_hook=_value)
    if what is None:
        return None, tuple(missing)
    kind = getattr(import_module(f"pipeline.measures.{_RESULTS[what]}"), what)
    return kind(**fields | {"by": tuple(fields["by"])}), tuple(missing)


def _value(found: dict[str, Any]) -> Any:
    return dt.date.fromisoformat(found[_DAY]) if _DAY in found else found
