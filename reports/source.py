"""Asks measures and keeps what was asked beside the answer, so that every figure on a page can be asked again."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from pipeline.errors import UserError
from pipeline.output.text import plain
from reports.kept_answers import KeptAnswers


@dataclass(frozen=True)
class Answer:
    """The rows of a measure for one question, or what is missing to answer it."""

    name: str
    measure: Any  # pipeline.measures.catalogue.Measure, None if the program has no such measure
    result: Any  # pipeline.measures.run.Result, None if it cannot be computed
    by: tuple[str, ...]
    start: date | None
    end: date | None
    where: Mapping[str, Any]
    as_of: date
    missing: tuple[str, ...] = ()
    process: bool = False  # a process chart or a CUSUM of the measure, not the measure itself
    known: date | None = None  # the last day whose imports count; None: all of them

    @property
    def rows(self) -> list[dict[str, Any]]:
        return list(self.result.rows) if self.result else []

    @property
    def shown(self) -> list[dict[str, Any]]:
        """Rows that carry a figure."""
        return [row for row in self.rows if not row.get("too_few") and row.get("estimate") is not None]

    @property
    def title(self) -> str:
        return plain(self.measure.title) if self.measure else self.name.replace("_", " ")

    def find(self, **groups: Any) -> dict[str, Any] | None:
        """The one row of these groups, if there is one."""
        return next((row for row in self.rows if all(row.get(k) == v for k, v in groups.items())), None)

    def data(self, row: Mapping[str, Any] | None = None) -> dict[str, str]:
        """Attributes that say which question was asked, and which row of the answer is meant."""
        words = {"measure": self.name, "by": ",".join(self.by), "as-of": self.as_of.isoformat()}
        if self.process:
            words["process"] = "true"
        if self.known:
            words["known-on"] = self.known.isoformat()
        if self.start:
            words["from"] = self.start.isoformat()
        if self.end:
            words["to"] = self.end.isoformat()
        if self.where:
            words["where"] = json.dumps({k: _text(v) for k, v in self.where.items()}, sort_keys=True)
        if row is not None:
            if self.by:
                words["group"] = json.dumps({b: _text(row.get(b)) for b in self.by}, sort_keys=True)
            words |= {k: repr(row[k]) for k in _FIGURES if row.get(k) is not None and not row.get("too_few")}
        return words


# Measures of which most practices have one.
_EVERYWHERE = ("chair_minutes_per_visit", "visits_per_tooth", "separations_per_100_canals", "recall_share")
_FIGURES = ("time", "n", "events", "exposure", "at_risk", "estimate", "low", "high", "value", "expected", "highest")


def _text(value: Any) -> str | None:
    return None if value is None else plain(value)


class Source:
    """One workspace of measures, and what one page asked of it.

    Pages of one workspace share their answers: `other_page` asks no question twice. `known` is the last day whose
    imports the workspace knows, where it looks at the store as it was known earlier.
    """

    def __init__(
        self,
        workspace: Any,
        catalogue: Mapping[str, Any],
        known: date | None = None,
        kept: KeptAnswers | None = None,
    ):
        self.workspace = workspace
        self.catalogue = catalogue
        self.known = known
        self.kept = kept  # of an earlier rendering; none of the store as it was known earlier
        self.used: dict[str, Any] = {}  # measures asked, in order, for the methods block
        self.unanswered: dict[str, tuple[str, ...]] = {}
        self.left_out: dict[str, list[dict[str, Any]]] = {}
        self._answers: dict[tuple[Any, ...], Answer] = {}

    def other_page(self) -> Source:
        """A source for another page, which knows the answers that this one knows."""
        other = Source(self.workspace, self.catalogue, self.known, self.kept)
        other._answers = self._answers
        return other

    @property
    def as_of(self) -> date:
        day: date = self.workspace.as_of
        return day

    def ask(
        self,
        name: str,
        by: Sequence[str] = (),
        start: date | None = None,
        end: date | None = None,
        where: Mapping[str, Any] | None = None,
    ) -> Answer:
        """The measure by these groups between two days (both included), or why it cannot be computed."""
        answer = self._known(False, name, tuple(by), start, end, dict(where or {}))
        if answer.measure is not None:
            self.used[name] = answer.measure
        if answer.missing:
            self.unanswered[name] = answer.missing
        elif not answer.by:
            self.left_out.setdefault(name, list(answer.result.left_out))
        return answer

    def groups(self, by: str) -> set[str]:
        """All values of a group that some basic measure has rows for."""
        rows = (row for name in _EVERYWHERE for row in self.ask(name, by=(by,)).rows)
        return {row[by] for row in rows if row.get(by) is not None}

    def process(
        self,
        name: str,
        by: str = "month",
        start: date | None = None,
        end: date | None = None,
        where: Mapping[str, Any] | None = None,
    ) -> Answer:
        """The measure's process chart by month, or its risk-adjusted CUSUM by dentist or sequence; or what is missing.

        The answer's `result` is a ProcessChart or a ProcessCusum with its `signals` and `notes`.
        """
        answer = self._known(True, name, (by,), start, end, dict(where or {}))
        if answer.measure is not None and not answer.missing:
            self.used[name] = answer.measure
        return answer

    def _known(
        self,
        process: bool,
        name: str,
        by: tuple[str, ...],
        start: date | None,
        end: date | None,
        where: dict[str, Any],
    ) -> Answer:
        """The answer to a question that was asked before, else a new one."""
        key = (process, name, by, start, end, tuple(sorted(where.items(), key=str)))
        if key not in self._answers:
            self._answers[key] = self._ask(process, name, by, start, end, where)
        return self._answers[key]

    def _ask(
        self,
        process: bool,
        name: str,
        by: tuple[str, ...],
        start: date | None,
        end: date | None,
        where: dict[str, Any],
    ) -> Answer:
        measure = self.catalogue.get(name)
        question = (self.as_of, process, name, by, start, end, tuple(sorted(where.items(), key=str)))
        known = self.kept.find(question) if self.kept and measure else None
        if known is None:
            known = self._computed(process, name, by, start, end, where)
            if self.kept and measure:
                self.kept.add(question, *known)
        result, missing = known
        return Answer(name, measure, result, by, start, end, where, self.as_of, missing, process, self.known)

    def _computed(
        self,
        process: bool,
        name: str,
        by: tuple[str, ...],
        start: date | None,
        end: date | None,
        where: dict[str, Any],
    ) -> tuple[Any, tuple[str, ...]]:
        """The result, or None and what is missing."""
        if name not in self.catalogue:
            return None, ("this version has no such measure",)
        if missing := tuple(plain(m) for m in self.workspace.missing(name)):
            return None, missing
        try:
            if not process:
                return self.workspace.compute(name, by=by, start=start, end=end, where=where), ()
            return _charted(self.workspace, name, by, start, end, where), ()
        except UserError as e:
            return None, (plain(e),)


def _charted(
    workspace: Any, name: str, by: tuple[str, ...], start: date | None, end: date | None, where: dict[str, Any]
) -> Any:
    from pipeline.measures.process_chart import process_chart
    from pipeline.measures.process_cusum import process_cusum

    if by == ("month",):
        return process_chart(workspace, name, where, start, end)
    return process_cusum(workspace, name, by, start, end)
