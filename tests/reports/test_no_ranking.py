"""A funnel is no league table: neither its words nor its order say who does better."""

from __future__ import annotations

import re
from datetime import date
from typing import Any

import pytest

from pipeline.measures.catalogue import catalogue
from pipeline.measures.run import Result
from reports.blocks import Figure, Prose, Table
from reports.evidence import funnel, peers
from reports.source import Answer
from reports.words import Words

AS_OF = date(2026, 11, 20)
RANKS = re.compile(
    r"\b(best|worst|better|worse|top|bottom|leading|leads?|rank(s|ed|ing)?|league|first place|last place|"
    r"outperform\w*|underperform\w*|highest|lowest|grade[sd]?|winner|winning|good|bad|poor)\b",
    re.IGNORECASE,
)
ALLOWED = re.compile(r"not a grade|never a league table", re.IGNORECASE)
FUNNELS = ("funnel", "adjusted_funnel")
NAMES = ("D1", "D2", "D3", "D4", "D5")


def words_of(parts: Any) -> list[str]:
    """Every title, caption, head, note and alternative text of figures and tables."""
    said: list[str] = []
    for part in parts:
        if isinstance(part, Figure):
            said += [part.title, part.caption, part.alt]
        elif isinstance(part, Table):
            said += [part.caption, part.note or "", *part.heads]
        elif isinstance(part, Prose):
            said += [s.text for s in part.sentences]
    return said


def answer(name: str, rows: list[dict[str, Any]], by: tuple[str, ...] = ("dentist",)) -> Answer:
    measure = catalogue()[name]
    result = Result(name, measure.title, measure.unit, measure.kind, by, rows, [], 0)
    return Answer(name, measure, result, by, None, None, {}, AS_OF)


def adjusted_rows() -> list[dict[str, Any]]:
    """Five dentists, of whom the ratios go the other way than names and sizes."""
    ends = {"limit_low_998": 0.5, "limit_low_95": 0.7, "limit_high_95": 1.3, "limit_high_998": 1.6}
    places = (
        "above the 99.8 % limit",
        "above the 95 % limit",
        "inside",
        "below the 95 % limit",
        "below the 99.8 % limit",
    )
    return [
        {"dentist": d, "n": n, "events": n, "expected": n / r, "estimate": r, "low": r - 0.1, "high": r + 0.1}
        | {"target": 1.0, **ends, "position": place, "units": 5, "shrunken": r}
        for d, n, r, place in zip(NAMES, (50, 90, 70, 60, 80), (1.8, 1.4, 1.0, 0.6, 0.4), places, strict=True)
    ]


@pytest.mark.parametrize("own", NAMES)
@pytest.mark.parametrize("name", ["adjusted_peer_funnel", "adjusted_separation_funnel"])
def test_no_title_or_caption_of_a_funnel_ranks(own: str, name: str) -> None:
    parts = [
        *peers.adjusted_among_peers(
            Words(), "a", answer(name, adjusted_rows()), own, events="separations", size="canals"
        ),
        *funnel.dentists(Words(), "b", answer(name, adjusted_rows()), events="separations", size="canals"),
    ]
    crude = answer("peer_funnel", [row | {"estimate": row["estimate"] / 2} for row in adjusted_rows()])
    parts += peers.among_peers(Words(), "c", crude, own)
    for text in words_of(parts):
        assert not RANKS.search(ALLOWED.sub("", text)), text


def test_lines_stand_by_name_or_by_size_and_never_by_ratio() -> None:
    rows = adjusted_rows()
    (table,) = [
        p
        for p in funnel.dentists(Words(), "b", answer("adjusted_separation_funnel", rows[::-1]), events="e", size="n")
        if isinstance(p, Table)
    ]
    assert [line.cells[0] for line in table.lines] == [f"Dentist {name}" for name in NAMES]
    parts = peers.adjusted_among_peers(
        Words(), "a", answer("adjusted_peer_funnel", rows), "D2", events="healed teeth", size="teeth"
    )
    (table,) = [p for p in parts if isinstance(p, Table)]
    sizes = [row["n"] for row in table.file.rows]  # type: ignore[union-attr]
    assert sizes == sorted(sizes)
    everything = repr((table, [p for p in parts if isinstance(p, Figure)]))
    assert not re.search(r"\bD[1345]\b", everything), "others have no names"


@pytest.mark.parametrize("name", [n for n, m in catalogue().items() if m.kind in FUNNELS])
def test_no_measure_of_funnels_ranks(name: str) -> None:
    measure = catalogue()[name]
    for text in (measure.title, measure.definition, measure.caption):
        assert not RANKS.search(ALLOWED.sub("", text)), text


def test_a_lot_alone_has_no_other_to_compare_with() -> None:
    row = {"lot": "L1", "n": 90, "events": 1, "estimate": 11.1, "low": 0.3, "high": 60.0, "target": 11.1, "units": 1}
    row |= dict.fromkeys(("limit_low_998", "limit_low_95"), 0.0) | dict.fromkeys(
        ("limit_high_95", "limit_high_998"), 50.0
    )
    row |= {"position": "no other to compare with", "overdispersion_allowed_for": False}
    parts = funnel.lots(Words(), "lot", answer("separations_by_lot", [row], ()))
    said = " ".join(
        [*words_of(parts), *(c for p in parts if isinstance(p, Table) for line in p.lines for c in line.cells)]
    )
    assert (
        "no other to compare with" in said and "inside" not in said and not [p for p in parts if isinstance(p, Figure)]
    )


def test_a_dentist_alone_has_no_other_to_compare_with() -> None:
    row = adjusted_rows()[0] | {"estimate": None, "position": "no other to compare with", "units": 1}
    (said,) = peers.adjusted_among_peers(
        Words(), "a", answer("adjusted_peer_funnel", [row]), "D1", events="healed teeth", size="teeth"
    )
    assert isinstance(said, Prose) and said.sentences[0].text.endswith(": no other to compare with.")
    (said,) = funnel.dentists(Words(), "a", answer("adjusted_peer_funnel", [row]), events="e", size="teeth")
    assert isinstance(said, Prose) and "no other to compare with" in said.sentences[0].text
