"""The rules that follow from the record kinds, written into their suites: python -m pipeline.records.expectations

A suite in expectations/ is whole and readable by itself. Of its rules these are made of pipeline/records/KIND.toml, and
are written anew where they differ from it: what a record lacks (`*_incomplete`, which refuses it), what it should have
(`*_partly_blank`, which marks it), and the words or numbers of a list. Any other rule, and what a rule says beside
columns, SQL and list (its reason, its source), stays as somebody wrote it.
"""

from __future__ import annotations

import json
from importlib.resources import as_file, files
from typing import Any

from pipeline.records import KINDS, Column, Kind

Rule = dict[str, Any]

_ANY_SET = "expect_column_values_to_be_in_set"


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
