"""What a store is made of for good: the key of its pseudonyms, and the ids of its practices."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import UserError
from pipeline.settings import Settings
from pipeline.store.pseudonyms import key_path, load_key

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def key_of(connection: Connection, store: Path) -> bytes:
    """The key beside a store that is open for writing; a UserError where it is not the one of its pseudonyms.

    A store that knows no key yet (it is new, or of a layout before 4) knows this one from now on.
    """
    key = load_key(store)
    found = connection.execute("select fingerprint from store_key").fetchone()
    if found is None:
        connection.execute("insert into store_key values (?)", [_fingerprint(key)])
    elif found[0] != _fingerprint(key):
        raise UserError(
            "is not the key that this store's pseudonyms were made with",
            where=str(key_path(store)),
            do="Put the right key back: with this one every patient would become another",
        )
    return key


def _fingerprint(key: bytes) -> str:
    """Tells keys apart and gives nothing of them away (BLAKE2b, RFC 7693)."""
    return hashlib.blake2b(key, digest_size=16, person=b"canalwise-key").hexdigest()


def _line(practice: str) -> str:
    return f'practice_id = "{practice}"'


def check_practice(connection: Connection, settings: Settings) -> None:
    """A UserError where records would stand in the store twice, as their practice is called otherwise now.

    A practice's id is part of every key and of every pseudonym. By default it is the practice's name, so a corrected
    name would make another practice of it; which is meant, only the practice can say.
    """
    known = [name for (name,) in connection.execute("select distinct practice from batches order by 1").fetchall()]
    if not known or settings.id in known:
        return
    if settings.practice_id is None:
        ids = " or ".join(map(_line, known))
        raise UserError(
            f"the store holds records of practice {', '.join(known)}, and the settings say {settings.practice}",
            do=f"If it has only another name now, add its practice_id to the settings ({ids}); if it is another "
            "practice, add a practice_id of its own",
        )
    if settings.practice in known:
        raise UserError(
            f"the store knows practice {settings.practice} by that name, and the settings call it "
            f"{settings.practice_id}",
            do=f'Write practice_id = "{settings.practice}" in the settings: an id stays what it was',
        )
