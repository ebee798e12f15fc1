"""Pictures that were drawn before are taken from beside the store, and only where they show just the same."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from reports.charts import drawn, pictures
from reports.charts.pictures import Pictures

SPEC = '{"data":{"values":[{"x":%d}]},"mark":"point","encoding":{"x":{"field":"x","type":"quantitative"}}}'


@pytest.fixture
def connection(filled: Path) -> Any:
    from pipeline.store.database import open_store

    with open_store(filled) as opened:
        yield opened


def test_what_is_kept_is_not_drawn_again(connection: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    config = {"background": "#ffffff"}
    assert drawn.drawn(connection) == {}
    with Pictures(config) as first:
        svgs = [first.of(SPEC % i) for i in (1, 2)]
        drawn.keep(connection, first.made, first.used)
    monkeypatch.setattr(pictures, "ProcessPoolExecutor", NoPool)
    again = Pictures(config, drawn.drawn(connection))
    with again:
        again.want([SPEC % 1, SPEC % 2])
        assert [again.of(SPEC % i) for i in (1, 2)] == svgs
        assert again.made == {} and len(again.used) == 2


def test_another_look_is_another_picture(connection: Any) -> None:
    with Pictures({"background": "#ffffff"}) as first:
        white = first.of(SPEC % 1)
        drawn.keep(connection, first.made, first.used)
    with Pictures({"background": "#eeeeee"}, drawn.drawn(connection)) as second:
        assert second.of(SPEC % 1) != white and len(second.made) == 1


def test_what_no_page_showed_for_a_quarter_goes(connection: Any) -> None:
    drawn.drawn(connection)
    drawn.keep(connection, {"old": "<svg/>", "used": "<svg/>"}, [])
    connection.execute("update kept_facts.pictures set used_on = current_date - 100")
    drawn.keep(connection, {"new": "<svg/>"}, ["used"])
    assert set(drawn.drawn(connection)) == {"used", "new"}


def test_without_a_store_nothing_is_kept() -> None:
    assert drawn.drawn(None) == {}
    drawn.keep(None, {"key": "<svg/>"}, ["key"])


class NoPool:
    """No process that draws: to ask one for anything is a fault."""

    def __init__(self, *_: Any, **__: Any) -> None:
        pass

    def shutdown(self, **_: Any) -> None:
        pass
