"""Patient pseudonyms: keyed, stable, one practice's own."""

from __future__ import annotations

import hashlib
import re
import stat
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import UserError
from pipeline.store.pseudonyms import key_path, load_key, pseudonyms

KEY = bytes(range(32))
NAME = st.text(min_size=1, max_size=20)


@given(st.lists(st.tuples(NAME, NAME), max_size=20))
def test_the_same_patient_of_the_same_practice_and_no_other(pairs: list[tuple[str, str]]) -> None:
    found = pseudonyms(pairs, KEY)
    assert all(re.fullmatch(r"pt-(test-)?[0-9a-f]{32}", pseudonym) for pseudonym in found)
    # A separator inside an id could make two pairs one text; it is a control character that no practice types.
    plain = {pair for pair in pairs if "\x1f" not in "".join(pair)}
    assert len(set(pseudonyms(plain, KEY))) == len(plain)
    assert pseudonyms(pairs, KEY) == found


def test_a_pseudonym_is_keyed_blake2b() -> None:
    """RFC 7693, computed here by hand: 16 bytes, keyed, personalised."""
    digest = hashlib.blake2b(b"here\x1f4711", key=KEY, digest_size=16, person=b"canalwise").hexdigest()
    assert pseudonyms([("here", "4711")], KEY) == [f"pt-{digest}"]
    assert pseudonyms([("here", "4711")], bytes(32)) != [f"pt-{digest}"]
    assert pseudonyms([("there", "4711")], KEY) != [f"pt-{digest}"]


def test_a_pseudonym_fed_back_stays() -> None:
    (once,) = pseudonyms([("here", "4711")], KEY)
    assert pseudonyms([("here", once), ("there", once)], KEY) == [once, once]
    assert pseudonyms([("here", "pt-4711")], KEY) != ["pt-4711"]
    assert pseudonyms([("here", once + "\n")], KEY) != [once + "\n"]


def test_a_key_is_made_once_random_and_its_owners_alone(store: Path) -> None:
    key = load_key(store)
    assert len(key) == 32
    assert load_key(store) == key
    assert stat.S_IMODE(key_path(store).stat().st_mode) == 0o600
    assert load_key(store.with_name("other.duckdb")) != key


def test_a_store_without_its_key_gets_no_new_one(store: Path) -> None:
    store.touch()
    with pytest.raises(UserError, match="the pseudonym key of this store is missing"):
        load_key(store)
    assert not key_path(store).exists()


def test_a_store_may_not_be_called_like_its_key(store: Path) -> None:
    path = store.with_suffix(".key")
    with pytest.raises(UserError, match="give the store another ending"):
        load_key(path)
    assert not path.exists()


def test_a_key_that_is_a_folder_is_one_line(store: Path) -> None:
    key_path(store).mkdir()
    with pytest.raises(UserError, match="the pseudonym key cannot be read"):
        load_key(store)
