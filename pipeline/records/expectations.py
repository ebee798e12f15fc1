"""The rules that follow from the record kinds, written into their suites: python -m pipeline.records.expectations

A suite in expectations/ is whole and readable by itself. Of its rules these are made of pipeline/records/KIND.toml, and
are written anew where they differ from it: what a record lacks (`*_incomplete`, which refuses it), what it should have
(`*_partly_blank`, which marks it), the words or numbers of a list, what numbers lie between (a rule a column, with its
reason and source, or one that several columns share), and the days between which dates lie (`*_date_impossible`). Any
other rule stays as somebody wrote it, and so does what these say beside columns, SQL, list and limits: the reason and
source of all but a column's own range.
"""

from __future__ import annotations

import datetime as dt
import json
import math
import re
from importlib.resources import as_file, files
from typing import Any

from pipeline.records import DATES, KINDS, Column, Kind, Range

Rule = dict[str, Any]

_ANY_SET = "expect_column_values_to_be_in_set"
_BETWEEN = "expect_column_values_to_be_between"
_OF_THE_DATES = "_date_impossible"
_BEYOND = r"case when r\.\w+ (?:not between \S+ and|<|>) \S+ then '\w+' end"
_SHARED = re.compile(rf"concat_ws\(', ', {_BEYOND}(?:, {_BEYOND})*\)")
_CLOCK_ZERO = dt.date(1970, 1, 1)


def suite(kind: Kind, text: str) -> str:
    """The suite of a kind, as JSON, with the rules that follow from its columns made of them; others as in `text`."""
    data = json.loads(text)
    rules: list[Rule] = data["expectations"]
    lacking = next(
        rule["meta"]
        for rule in rules
        if rule["meta"]["rule"].endswith("_incomplete") and rule["meta"]["action"] == "quarantine"
    )
    stem = lacking["rule"].removesuffix("_incomplete")
    lacking |= _blank(kind, kind.required)
    partly = f"{stem}_partly_blank"
    there = next((rule for rule in rules if rule["meta"]["rule"] == partly), None)
    if kind.expected and there is None:
        there = _should_be_there(partly, lacking)
        rules.append(there)
    if kind.expected and there is not None:
        there["meta"] |= _blank(kind, kind.expected)
    elif there is not None:
        rules.remove(there)
    rules[:] = [rule for rule in rules if not is_list(rule) or rule["kwargs"]["column"] in kind.names]
    for column in kind.columns:
        _list(stem, column, rules)
    _ranges(stem, kind, rules)
    _dates(stem, kind, rules)
    return written(data)


def _blank(kind: Kind, columns: tuple[str, ...]) -> dict[str, Any]:
    """What names those of the columns that are empty, in words."""

    def empty(name: str) -> str:
        return f"coalesce(r.{name}, '') = ''" if kind.column(name).type == "text" else f"r.{name} is null"

    told = ", ".join(f"case when {empty(name)} then '{name}' end" for name in columns)
    return {"columns": list(columns), "sql": f"concat_ws(', ', {told})"}


def _should_be_there(name: str, lacking: dict[str, Any]) -> Rule:
    subject = lacking["reason"].partition(" lacks ")[0]
    return {
        "type": _ANY_SET,
        "kwargs": {"column": name, "value_set": [""]},
        "meta": {
            "rule": name,
            "action": "warn",
            "columns": [],
            "sql": "",
            "reason": f"{subject} lacks something that should be there: it is kept, and left out where a figure needs "
            "that.",
            "show_value": True,
            "source": "record layout, columns that should be filled",
        },
    }


def _list(stem: str, column: Column, rules: list[Rule]) -> None:
    """The rule on a column's list, in place: made, written anew or taken out."""
    there = next((rule for rule in rules if is_list(rule) and rule["kwargs"]["column"] == column.name), None)
    values = [*column.values, *column.usual_values]
    action = "warn" if column.usual_values else "quarantine" if column.required else "blank"
    if not values:
        if there is not None:
            rules.remove(there)
        return
    if there is None:
        there = {
            "type": _ANY_SET,
            "kwargs": {"column": column.name, "value_set": []},
            "meta": {
                "rule": f"{stem}_{column.name}_unknown",
                "action": action,
                "columns": [column.name],
                "reason": f"The column {column.name} holds none of: .",
                **({} if column.type == "text" else {"show_value": True}),
                "source": "record layout",
            },
        }
        rules.append(there)
    kwargs, meta = there["kwargs"], there["meta"]
    # The sentence names the words too, where it names them as the list has them.
    was, now = (": " + ", ".join(map(str, of)) for of in (kwargs["value_set"], values))
    if was in meta["reason"] and now not in meta["reason"]:
        meta["reason"] = meta["reason"].replace(was, now, 1)
    kwargs["value_set"] = values
    meta["action"] = action


def _ranges(stem: str, kind: Kind, rules: list[Rule]) -> None:
    """The rules on what numbers lie between, in place: made, written anew or taken out."""
    rules[:] = [rule for rule in rules if not is_range(rule) or rule["kwargs"]["column"] in kind.names]
    shared: dict[str, list[tuple[Column, Range]]] = {}
    for column in kind.columns:
        for range_, ending, action in (
            (column.range, "out_of_range", "quarantine" if column.required else "blank"),
            (column.usual_range, "unusual", "warn"),
        ):
            own = range_ if range_ and not range_.rule else None
            _range(f"{stem}_{column.name}_{ending}", column, own, action, rules)
            if range_ and range_.rule:
                shared.setdefault(range_.rule, []).append((column, range_))
    gone = [rule for rule in rules if _is_shared(rule) and rule["meta"]["rule"] not in shared]
    rules[:] = [rule for rule in rules if rule not in gone]
    for name, columns in shared.items():
        actions = {"warn" if r is c.usual_range else "quarantine" if c.required else "blank" for c, r in columns}
        if len(actions) > 1:
            raise ValueError(f"{kind.name}: columns that share {name} would have it {' and '.join(sorted(actions))}")
        there = next((rule for rule in rules if rule["meta"]["rule"] == name), None)
        if there is None:
            there = _names_columns(name, "A number is not what can be.", "record layout")
            rules.append(there)
        clauses = (f"case when {_beyond(f'r.{c.name}', r)} then '{c.name}' end" for c, r in columns)
        there["meta"] |= {
            "action": actions.pop(),
            "columns": [c.name for c, _ in columns],
            "sql": f"concat_ws(', ', {', '.join(clauses)})",
        }


def _range(name: str, column: Column, range_: Range | None, action: str, rules: list[Rule]) -> None:
    """The rule on a column's own range; `name` is that of a new one."""
    warns = action == "warn"
    there = next(
        (
            rule
            for rule in rules
            if is_range(rule)
            and rule["kwargs"]["column"] == column.name
            and (rule["meta"]["action"] == "warn") is warns
        ),
        None,
    )
    if range_ is None:
        if there is not None:
            rules.remove(there)
        return
    if there is None:
        there = {
            "type": _BETWEEN,
            "kwargs": {},
            "meta": {
                "rule": name,
                "action": action,
                "columns": [column.name],
                "reason": "",
                "show_value": True,
                "source": "",
            },
        }
        rules.append(there)
    limits = {"min_value": range_.low, "max_value": range_.high}
    there["kwargs"] = {"column": column.name} | {end: at for end, at in limits.items() if math.isfinite(at)}
    there["meta"] |= {"action": action, "reason": range_.reason, "source": range_.source}


def is_range(rule: Rule) -> bool:
    """Whether a rule says what a stored number lies between."""
    return rule["type"] == _BETWEEN and "sql" not in rule["meta"]


def _is_shared(rule: Rule) -> bool:
    """Whether a rule is one on the ranges of several columns, as it is written here."""
    return bool(_SHARED.fullmatch(rule["meta"].get("sql", "")))


def _beyond(value: str, range_: Range) -> str:
    if math.isinf(range_.high):
        return f"{value} < {_number(range_.low)}"
    if math.isinf(range_.low):
        return f"{value} > {_number(range_.high)}"
    return f"{value} not between {_number(range_.low)} and {_number(range_.high)}"


def _number(value: int | float) -> str:
    return f"{value:.15g}" if isinstance(value, int) or abs(value) < 1e6 else f"{value:g}".replace("e+0", "e")


def _dates(stem: str, kind: Kind, rules: list[Rule]) -> None:
    """The rules on the days between which dates lie: that of the required ones refuses, that of others blanks."""
    for action in ("quarantine", "blank"):
        columns = [c for c in kind.columns if c.type in DATES and c.required is (action == "quarantine")]
        columns.sort(key=lambda c: c.not_after is not None)  # those that may lie ahead of today come last
        there = next(
            (
                rule
                for rule in rules
                if rule["meta"]["rule"].endswith(_OF_THE_DATES) and rule["meta"]["action"] == action
            ),
            None,
        )
        if not columns:
            if there is not None:
                rules.remove(there)
            continue
        if there is None:
            taken = {rule["meta"]["rule"] for rule in rules}
            name = f"{stem}{_OF_THE_DATES}"
            there = _names_columns(
                f"{stem}_other{_OF_THE_DATES}" if name in taken else name,
                "A date lies in the future, before 1950 or on 1 January 1970 (the zero of a computer's clock): look "
                "for swapped day and month, a two-digit year, or a planned date entered as done.",
                "common practice, no source: a patient treated before 1950 is hardly in a practice's records of today",
            )
            rules.append(there)
        clauses = (f"case when {when} then '{c.name} {what}' end" for c in columns for when, what in _beyond_days(c))
        there["meta"] |= {
            "action": action,
            "columns": [c.name for c in columns],
            "sql": f"concat_ws(', ', {', '.join(clauses)})",
        }


def _beyond_days(column: Column) -> list[tuple[str, str]]:
    """When a date is none that can be, as SQL, and what is said of it."""
    day = f"cast(r.{column.name} as date)" if column.type == "timestamp" else f"r.{column.name}"
    first, last = column.not_before, column.not_after
    early = f"{day} < date '{first}'", f"before {first.year if (first.month, first.day) == (1, 1) else first}"
    if first < _CLOCK_ZERO:
        early = f"{early[0]} or {day} = date '{_CLOCK_ZERO}'", f"{early[1]} or zero of a clock"
    if last is None:
        return [(f"{day} > $today", "in the future"), early]
    return [early, (f"{day} > date '{last}'", f"after {last.year if (last.month, last.day) == (12, 31) else last}")]


def _names_columns(name: str, reason: str, source: str) -> Rule:
    """A new rule on several columns, whose SQL names those that are wrong."""
    return {
        "type": _ANY_SET,
        "kwargs": {"column": name, "value_set": [""]},
        "meta": {
            "rule": name,
            "action": "blank",
            "columns": [],
            "sql": "",
            "reason": reason,
            "show_value": True,
            "source": source,
        },
    }


def is_list(rule: Rule) -> bool:
    """Whether a rule says which words or numbers a stored column takes."""
    return "value_set" in rule["kwargs"] and "sql" not in rule["meta"]


def written(data: dict[str, Any]) -> str:
    """A suite as it stands in its file: an entry of `meta` a line."""

    def lines(entries: dict[str, Any], indent: int) -> str:
        return ",\n".join(f"{' ' * indent}{_json(key)}: {_json(value)}" for key, value in entries.items())

    rules = ",\n".join(
        f'    {{\n      "type": {_json(rule["type"])},\n      "kwargs": {_json(rule["kwargs"])},\n'
        f'      "meta": {{\n{lines(rule["meta"], 8)}\n      }}\n    }}'
        for rule in data["expectations"]
    )
    return (
        f'{{\n  "name": {_json(data["name"])},\n  "meta": {{\n{lines(data["meta"], 4)}\n  }},\n'
        f'  "expectations": [\n{rules}\n  ]\n}}\n'
    )


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False)


def main() -> None:
    """Write the suites whose rules differ from the record kinds, and say which."""
    changed = []
    for kind in KINDS.values():
        with as_file(files("expectations") / f"{kind.name}.json") as path:
            before = path.read_text(encoding="utf-8")
            after = suite(kind, before)
            if after != before:
                path.write_text(after, encoding="utf-8")
                changed.append(path.name)
    print(
        "Written anew: " + ", ".join(changed) if changed else "Nothing to write: the suites are as the kinds have it."
    )


if __name__ == "__main__":
    main()
