"""When own teeth among those of all dentists need attention: each branch speaks, and is silent, as it should."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace
from typing import Any

import pytest

from reports.attention import peers
from reports.source import Answer
from reports.words import Words

WORDS = Words("EUR", 0.95)
ABOVE, BELOW, NEAR = "above the 99.8 % limit", "below the 99.8 % limit", "above the 95 % limit"


def answer(name: str, *rows: dict[str, Any], missing: tuple[str, ...] = ()) -> Answer:
    result = SimpleNamespace(kind="funnel", unit="share", rows=list(rows), left_out=[])
    return Answer(
        name, SimpleNamespace(title=name), result, ("dentist",), None, None, {}, date(2026, 6, 30), missing=missing
    )


def crude(position: str = BELOW, **more: Any) -> Answer:
    row = {"dentist": "D1", "n": 1200, "events": 840, "estimate": 0.7, "target": 0.82, "position": position}
    return answer("peer_funnel", {"dentist": "D2"} | row | {"dentist": "D2", "position": "inside"}, row | more)


def adjusted(name: str = "adjusted_peer_funnel", position: str = BELOW, **more: Any) -> Answer:
    row = {"dentist": "D1", "n": 80, "events": 40, "expected": 55.5, "estimate": 0.72, "low": 0.61, "high": 0.84}
    return answer(name, row | {"position": position} | more)


def said(*of: Answer, after: Answer | None = None, dentist: str = "D1") -> list[str]:
    found = peers.outside(WORDS, of, after or crude(), dentist, "#peers")
    return [sentence.whole.replace("\u00a0", " ") for sentence in found if sentence is not None]


@pytest.mark.parametrize(("position", "side"), [(BELOW, "below"), (ABOVE, "above")])
def test_the_crude_share_outside_its_outer_limits_is_told_on_either_side(position: str, side: str) -> None:
    sentence = peers.outside_limits(WORDS, crude(position), "D1", "#peers")
    assert sentence is not None and sentence.href == "#peers" and sentence.data["estimate"] == "0.7"
    assert sentence.whole.replace("\u00a0", " ").startswith(
        f"Healed share of own teeth: 70% (840 of 1,200), outside the limits ({side}) that chance passes 2 times in "
        "1,000 about the 82% of all dentists."
    )


@pytest.mark.parametrize(
    "silent",
    [crude(NEAR), crude("inside"), crude(too_few=True), answer("peer_funnel"), answer("peer_funnel", missing=("no",))],
)
def test_the_crude_share_is_silent_within_them_and_where_nothing_is_shown(silent: Answer) -> None:
    assert peers.outside_limits(WORDS, silent, "D1", "x") is None


def test_nobody_hears_of_another_dentist() -> None:
    assert peers.outside_limits(WORDS, crude(), "D2", "x") is None
    assert said(adjusted(), dentist="D3") == []


def test_after_case_mix_the_ratio_is_told_in_place_of_the_crude_share() -> None:
    (one,) = said(adjusted())
    assert one.startswith(
        "Healed teeth of own teeth: 40 against 55.5 expected of teeth like the own, ratio 0.72 (0.61 to 0.84), outside "
        "the limits (below) that chance passes 2 times in 1,000."
    )
    assert "a reason to look, not a grade" in one


def test_within_the_limits_after_case_mix_the_crude_share_says_nothing() -> None:
    assert said(adjusted(position=NEAR)) == []


@pytest.mark.parametrize("none", [{"too_few": True}, {"estimate": None}])
def test_the_crude_share_speaks_where_case_mix_cannot(none: dict[str, Any]) -> None:
    (one,) = said(adjusted(**none))
    assert one.startswith("Healed share of own teeth")
    (again,) = said(answer("adjusted_peer_funnel", missing=("no treatments",)))
    assert again == one


def test_separations_after_case_mix_do_not_silence_the_crude_share_of_healing() -> None:
    first, second = said(adjusted("adjusted_separation_funnel", ABOVE))
    assert first.startswith("Separations of own canals: 40 against 55.5 expected of canals like the own")
    assert second.startswith("Healed share of own teeth")


def test_one_that_cannot_be_told_does_not_silence_the_next() -> None:
    (one,) = said(adjusted(position=NEAR), adjusted("adjusted_separation_funnel", ABOVE))
    assert one.startswith("Separations of own canals") and "(above)" in one
    (one,) = said(adjusted("adjusted_separation_funnel", too_few=True), adjusted())
    assert one.startswith("Healed teeth of own teeth")


def sums(name: str = "healed_share", **more: Any) -> Answer:
    row = {"dentist": "D1", "n": 1060, "events": 12, "expected": 6.54, "signal_on": date(2024, 9, 3)}
    return answer(name, row | {"signal": "more than expected"} | more)


@pytest.mark.parametrize(
    ("name", "was"),
    [("healed_share", "not healed"), ("separations_per_100_teeth", "with a separated instrument")],
)
def test_a_sum_that_passed_its_limit_is_told_with_its_day_and_side(name: str, was: str) -> None:
    sentence = peers.sum_signal(sums(name), "D1", "#sums")
    assert sentence is not None and sentence.href == "#sums" and sentence.data["events"] == "12"
    assert sentence.whole.replace("\u00a0", " ") == (
        f"Own teeth one after another, each against its own risk: the sum of those {was} passed its limit on "
        f"3 September 2024, more than expected. Of all 1,060, 12 were {was} and 6.5 were expected. It asks for a look "
        "and says nothing of the cause."
    )


@pytest.mark.parametrize(
    "silent",
    [sums(signal_on=None), sums(too_few=True), answer("healed_share"), answer("healed_share", missing=("no",))],
)
def test_a_sum_is_silent_without_a_signal_that_may_be_shown(silent: Answer) -> None:
    assert peers.sum_signal(silent, "D1", "x") is None
