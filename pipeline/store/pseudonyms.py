"""Patient ids become keyed pseudonyms at the door; the original is never stored.

Keyed BLAKE2b (RFC 7693): an unkeyed hash of a seven-digit id is undone in seconds by trying all ten million. The key is
32 random bytes in a file of its own beside the store, mode 0600. Losing it only breaks the link to later exports.
"""

from __future__ import annotations

import hashlib
import re
import secrets
from collections.abc import Iterable
from pathlib import Path

from pipeline.errors import UserError
from pipeline.output import private

FORM = re.compile(r"^pt-(?:test-)?[0-9a-f]{32}$")
# Ids of patients that are none, as people call them who try a program out; common practice, no source.
_TEST = re.compile(
    r"(?i)(?:^|[^a-z])(?:test|dummy|demo|muster(?:mann|frau)?)(?:patient(?:in)?)?(?:[^a-z]|$)|test ?patient"
)


def key_path(store: Path) -> Path:
    """Where the key of a store is kept: canalwise.duckdb -> canalwise.key."""
    return store.with_suffix(".key")


def load_key(store: Path) -> bytes:
    """The key of a store, made on first use."""
    path = key_path(store)
    if path == store:
        raise UserError(
            "is the name of the store's own key", where=str(store), do="Please give the store another ending"
        )
    if path.exists():
        key = _read(path)
        if len(key) != 32:
            raise UserError(
                f"is not a pseudonym key (32 bytes expected, {len(key)} found)",
                where=str(path),
                do="Put the right key back: a new one would break the link between earlier and later exports",
            )
        return key
    if store.exists():
        raise UserError(
            "the pseudonym key of this store is missing",
            where=str(path),
            do="Put it back: a new one would break the link between earlier and later exports",
        )
    try:
        private.write_new(path, secrets.token_bytes(32))
    except FileExistsError:  # another run was faster: its key counts
        pass
    except OSError as e:
        raise UserError(f"the pseudonym key cannot be written ({e.strerror})", where=str(path)) from None
    return _read(path)


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as e:
        raise UserError(f"the pseudonym key cannot be read ({e.strerror})", where=str(path)) from None


def pseudonyms(practice_and_patient: Iterable[tuple[str, str]], key: bytes) -> list[str]:
    """Pseudonyms ("pt-" and 32 hex digits) for pairs of practice and patient id.

    A patient id that is one already stays as it is, so that a mended quarantine export can be read again. That of a
    test patient begins with "pt-test-": a rule marks it, and nothing else could tell it any more.
    """
    return [
        patient if FORM.fullmatch(patient) else _pseudonym(practice, patient, key)
        for practice, patient in practice_and_patient
    ]


def _pseudonym(practice: str, patient: str, key: bytes) -> str:
    text = f"{practice}\x1f{patient}".encode()
    digest = hashlib.blake2b(text, key=key, digest_size=16, person=b"canalwise").hexdigest()
    return f"pt-{'test-' if _TEST.search(patient) else ''}{digest}"
