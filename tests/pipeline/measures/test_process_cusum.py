"""Risk-adjusted CUSUM of measures: risks without the group itself, sums in order of time, signals in words."""

from __future__ import annotations

import datetime as dt
import hashlib
from pathlib import Path
from typing import Any, get_args

import numpy as np
import polars as pl
import pytest

from pipeline.errors import UserError
from pipeline.measures.answers import unheard
from pipeline.measures.process_cusum import GROUPED, WATCHED, process_cusum
from pipeline.measures.run import Workspace
from pipeline.settings import Answer, Settings, load_settings
from pipeline.stats import risk_model
from pipeline.store.database import in_memory, open_store


def practice(
    teeth: list[tuple[str, bool, bool]],
    smallest: int = 1,
    *,
    turned: bool = False,
    key: str = "",
    one_day: bool = False,
    answers: tuple[Any, ...] = (),
) -> Workspace:
    """(dentist, lesion, healed) of teeth completed one a day from 2020 on, each seen after a year.

    Two teeth of a dentist after one another are of one patient. `turned` stores the records backwards, `key` gives
    patients other pseudonyms, `one_day` completes all on one day.
    """
    connection = in_memory()
    seen: dict[Any, int] = {}
    first = dt.date(2020, 1, 1)
    rows = [
        {
            "id": f"T{i:04}",
            "patient": f"{hashlib.sha256(f'{key}{dentist}{_next(seen, dentist) // 2}'.encode()).hexdigest()}",
            "dentist": dentist,
            "preop": 4 if lesion else 1,
            "day": first if one_day else first + dt.timedelta(days=i),
            "pai": 1 if healed else 5,
        }
        for i, (dentist, lesion, healed) in enumerate(teeth)
    ]
    connection.register("given", pl.DataFrame(rows[::-1] if turned else rows))
    books = "'x', 'x.csv', 1, 1, row_number() over ()"
    connection.execute(
        "insert into treatments (treatment_id, patient_id, tooth, kind, dentist, preop_pai, started_on, completed_on, "
        "status, practice, source_file, source_row, batch_id, record_no) "
        f"select id, patient, 16, 'primary', dentist, preop, day, day, 'completed', {books} from given"
    )
    connection.execute(
        "insert into follow_ups (follow_up_id, treatment_id, seen_on, image, pai, pain, tooth_present, practice, "
        "source_file, source_row, batch_id, record_no) "
        f"select id, id, day + interval 400 day, 'periapical', pai, false, true, {books} from given"
    )
    settings = Settings.model_validate({"reporting": {"smallest_group": smallest}, "answer": answers})
    return Workspace(connection, settings, dt.date(2026, 6, 30))


def _next(seen: dict[Any, int], of: Any) -> int:
    seen[of] = seen.get(of, -1) + 1
    return seen[of]


def usual(seed: int, n: int, dentists: str = "AB") -> list[tuple[str, bool, bool]]:
    """Half with a lesion; healed 9 in 10 without, 7 in 10 with."""
    rng = np.random.default_rng(seed)
    lesion = rng.random(n) < 0.5
    healed = rng.random(n) < np.where(lesion, 0.7, 0.9)
    return list(zip(rng.choice(list(dentists), n).tolist(), lesion.tolist(), healed.tolist(), strict=True))


def test_the_risk_is_that_of_the_others_teeth_of_the_kind() -> None:
    """A's teeth all fail, which says nothing of A's own risks: 400 teeth of B give 0.1 and 0.3, little shrunk."""
    lesions = [True, False] * 200
    fails = [i % 20 in (0, 1, 2, 3, 4, 5, 7, 9) if lesion else i % 20 in (1, 3) for i, lesion in enumerate(lesions)]
    others = [("B", lesion, not fail) for lesion, fail in zip(lesions, fails, strict=True)]
    share = {lesion: np.mean([not h for _, own, h in others if own == lesion]) for lesion in (True, False)}
    own = [("A", True, False)] * 5 + [("A", False, False)] * 5
    found = process_cusum(practice([*others, *own]), "healed_share", ("dentist",))
    (a,) = (row for row in found.rows if row["dentist"] == "A")
    assert (a["n"], a["events"]) == (10, 10)
    assert a["expected"] == pytest.approx(5 * share[True] + 5 * share[False], abs=0.15)


def test_sums_go_by_the_published_weights_in_order_of_completion() -> None:
    """Steiner 2000: ln 2 - ln(1 + p) for an event, -ln(1 + p) for none, at odds ratio 2."""
    teeth = usual(1, 300)
    found = process_cusum(practice(teeth), "healed_share", ("dentist",))
    sums = [row["sum"] for row in found.series if row["dentist"] == "A"]
    days = [row["on"] for row in found.series if row["dentist"] == "A"]
    assert days == sorted(days)
    own = [(lesion, not healed) for dentist, lesion, healed in teeth if dentist == "A"]
    others = [(lesion, not healed) for dentist, lesion, healed in teeth if dentist == "B"]
    model = risk_model.fitted([e for _, e in others], [[float(le), float(not le)] for le, _ in others])
    fit = model.expected([[float(le), float(not le)] for le, _ in own])
    by_hand, s = [], 0.0
    for p, (_, event) in zip(fit.tolist(), own, strict=True):
        s = max(0.0, s + (np.log(2) if event else 0.0) - np.log(1 + p))
        by_hand.append(s)
    assert sums == pytest.approx(by_hand, abs=1e-6)


def turned_bad(share: int = 3) -> list[tuple[str, bool, bool]]:
    return [(d, le, h and not (d == "A" and i > 250 and i % share)) for i, (d, le, h) in enumerate(usual(3, 400))]


def day(i: int) -> dt.date:
    return dt.date(2020, 1, 1) + dt.timedelta(days=i)


def test_a_dentist_whose_teeth_begin_to_fail_is_told_with_the_day_and_the_others_are_not() -> None:
    found = process_cusum(practice(turned_bad()), "healed_share", ("dentist",))
    (signal,) = [s for s in found.signals if "more than expected" in s["says"]]
    assert "dentist “A” passes its limit" in signal["says"]
    assert "were not healed" in signal["says"]
    assert day(250) < signal["first"] < day(360)
    rows = {row["dentist"]: row for row in found.rows}
    assert (rows["A"]["up_on"], rows["A"]["signal_on"]) == (signal["first"], signal["first"])
    assert rows["A"]["signal"] == "more than expected"
    assert rows["B"]["up_on"] is None


def test_fewer_than_expected_is_told_too() -> None:
    teeth = [(d, le, h or d == "A") for d, le, h in usual(3, 400)]
    found = process_cusum(practice(teeth), "healed_share", ("dentist",))
    (a,) = (row for row in found.rows if row["dentist"] == "A")
    assert (a["events"], a["signal"], a["up_on"]) == (0, "fewer than expected", None)
    assert a["highest_down"] > a["limit_down"] and a["signal_on"] == a["down_on"]
    own = [point for point in found.series if point["dentist"] == "A"]
    nearest = max(own, key=lambda p: p["sum_down"] - p["limit_down"])
    assert max(p["sum"] for p in own) == 0
    assert (a["highest_down"], a["limit_down"]) == (nearest["sum_down"], nearest["limit_down"])


def answer(on: dt.date, **other: str) -> dict[str, Any]:
    usual = {"measure": "healed_share", "group": "dentist", "value": "A", "note": "films read by a trainee"}
    return usual | {"on": on.isoformat()} | other


def test_an_answered_signal_stays_drawn_and_the_sum_starts_again() -> None:
    teeth = turned_bad()
    (before,) = (
        row for row in process_cusum(practice(teeth), "healed_share", ("dentist",)).rows if row["dentist"] == "A"
    )
    on = before["signal_on"] + dt.timedelta(days=1)
    found = process_cusum(practice(teeth, answers=(answer(on),)), "healed_share", ("dentist",))
    (row,) = (row for row in found.rows if row["dentist"] == "A")
    assert row["answered_on"] == on and row["answer"] == "films read by a trainee"
    assert row["answered_signal_on"] <= before["signal_on"] and row["answered_signal"] == "more than expected"
    own = [point for point in found.series if point["dentist"] == "A"]
    again = [point for point in own if point["on"] >= on]
    assert len(own) == row["n"] and len(again) == row["n_since_answer"] > 10
    assert own[-len(again) - 1]["sum"] > np.log(2) >= again[0]["sum"]  # it began at 0
    nearest = max(again, key=lambda point: point["sum"] - point["limit"])
    assert (row["highest"], row["limit"]) == (nearest["sum"], nearest["limit"])
    # Two of three teeth fail from there on too: new signals count, and are not answered.
    assert row["signal_on"] is not None and row["signal_on"] > on
    assert any("since the answer" in signal["says"] for signal in found.signals)
    # Only an answer of this measure, group and value, and not before its day, answers.
    for other in (
        answer(on, value="B"),
        answer(on, group="sequence"),
        answer(on, measure="separations_per_100_teeth"),
        answer(dt.date(2027, 1, 1)),
    ):
        untouched = process_cusum(practice(teeth, answers=(other,)), "healed_share", ("dentist",))
        assert next(r for r in untouched.rows if r["dentist"] == "A") == before


def test_an_answer_that_names_nobody_is_told_with_the_names_there_are() -> None:
    on = dt.date(2021, 1, 1)
    here = practice(usual(1, 40), answers=(answer(on), answer(on, value="Dr. A"), answer(on, group="sequence")))
    told = "An answer in the settings (healed_share, 2021-01-01) names {}, which no record has, and so answers nothing"
    assert unheard(here) == [
        f"{told.format('dentist “Dr. A”')}; the records have A, B.",
        f"{told.format('sequence “A”')}; the records have none.",
    ]
    assert unheard(practice(usual(1, 40), answers=(answer(on),))) == []


def test_an_answer_after_the_last_tooth_leaves_nothing_to_tell() -> None:
    found = process_cusum(practice(turned_bad(), answers=(answer(day(900)),)), "healed_share", ("dentist",))
    (row,) = (row for row in found.rows if row["dentist"] == "A")
    assert row["n_since_answer"] == 0 and row["signal_on"] is None and row["limit"] is None
    assert row["answered_signal_on"] is not None and row["events"] > 0
    assert not any("dentist “A”" in signal["says"] for signal in found.signals)


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"measure": "recall_share"}, "answer.0.measure"),
        ({"group": "month"}, "answer.0.group"),
        ({"note": ""}, "answer.0.note"),
        ({"on": "soon"}, "answer.0.on"),
    ],
)
def test_an_answer_that_answers_nothing_is_refused(tmp_path: Path, wrong: dict[str, str], says: str) -> None:
    lines = "\n".join(f'{k} = "{v}"' for k, v in (answer(day(1)) | wrong).items())
    path = tmp_path / "canalwise.toml"
    path.write_text(f"[[answer]]\n{lines}\n", encoding="utf-8")
    with pytest.raises(UserError) as told:
        load_settings(path)
    assert says in str(told.value) and "\n" not in str(told.value)
    path.write_text(2 * "[[answer]]\n{}\n".format("\n".join(f'{k} = "{v}"' for k, v in answer(day(1)).items())))
    with pytest.raises(UserError, match="two answers of healed_share, dentist A, on 2020-01-02"):
        load_settings(path)


def test_what_can_be_answered_is_what_has_a_cusum() -> None:
    fields = Answer.model_fields
    assert (get_args(fields["measure"].annotation), get_args(fields["group"].annotation)) == (tuple(WATCHED), GROUPED)


@pytest.mark.parametrize("one_day", [False, True])
def test_neither_pseudonyms_nor_the_order_of_records_decide(one_day: bool) -> None:
    """Teeth of one day follow each other by their ids, whichever was stored first."""
    teeth = usual(1, 200)
    found = [
        process_cusum(practice(teeth, turned=turned, key=key, one_day=one_day), "healed_share", ("dentist",))
        for turned, key in ((False, ""), (True, "another"))
    ]
    assert found[0].rows == found[1].rows
    assert found[0].series == found[1].series


def test_too_few_teeth_of_a_group_or_of_all_others_have_no_figures() -> None:
    few = [("C", True, False)] * 3
    # A is withheld with C, whose number the total would tell.
    found = process_cusum(practice([*usual(1, 200), *few], smallest=5), "healed_share", ("dentist",))
    assert {row["dentist"]: row.get("too_few", False) for row in found.rows} == {"A": True, "B": False, "C": True}
    assert "C" not in {row["dentist"] for row in found.series}
    alone = process_cusum(practice(usual(1, 60, "A")), "healed_share", ("dentist",))
    assert [row["limit"] for row in alone.rows] == [None]


def test_teeth_whose_group_is_not_recorded_are_no_group() -> None:
    unknown: list[Any] = [(None, True, False)] * 20
    found = process_cusum(practice([*usual(1, 200), *unknown], smallest=5), "healed_share", ("dentist",))
    assert {row["dentist"]: row.get("too_few", False) for row in found.rows} == {"A": False, "B": False, None: True}
    known = process_cusum(practice(usual(1, 200), smallest=5), "healed_share", ("dentist",))
    assert [row["expected"] for row in found.rows if row["dentist"]] == [row["expected"] for row in known.rows]


@pytest.mark.parametrize(
    ("name", "by"),
    [("healed_share", ("tooth_type",)), ("recall_share", ("dentist",)), ("healed_share", ("dentist", "sequence"))],
)
def test_what_has_no_cusum_is_refused(name: str, by: tuple[str, ...]) -> None:
    with pytest.raises(UserError, match="has no process chart by"):
        process_cusum(practice(usual(1, 40)), name, by)


def test_the_command(canalwise: Any, filled: Path) -> None:
    found = canalwise("measure", "healed_share", "--process", "--by", "dentist", "--store", filled, "--json").json
    assert {"dentist", "n", "events", "expected", "highest", "limit", "limit_down", "signal_on"} <= set(
        found["rows"][0]
    )
    assert found["unit"] == "teeth that were not healed"


@pytest.mark.parametrize("name", WATCHED)
def test_a_large_store_is_charted_as_a_small_one(filled: Path, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its units are written with the columns alone that a question reads: the case mix is among them."""
    with open_store(filled) as connection:
        usual = process_cusum(Workspace(connection, Settings()), name, ("dentist",))
    monkeypatch.setattr("pipeline.measures.run.MOST_VALUES", 0)
    with open_store(filled) as connection:
        assert process_cusum(Workspace(connection, Settings()), name, ("dentist",)) == usual
