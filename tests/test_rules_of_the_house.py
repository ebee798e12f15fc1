"""What a machine can see of the house rules: style, types, one direction of imports, portable SQL, a tidy top level."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest
import sqlglot
from sqlglot import TokenType

ROOT = Path(__file__).resolve().parents[1]

TOP_LEVEL = {"DEVELOPERS.md", "LICENSE", "README.md", "pyproject.toml"}
TOP_LEVEL |= {"demo_data", "expectations", "pipeline", "reports", "tests"}

OF_THE_BOOKS = {"imports", "quarantine_by_reason"}  # they read the store's own books, which are in DuckDB always
SQL = {
    f"{path.parent.name}/{path.stem}": path
    for folder in ("facts", "measures/definitions")
    for path in sorted((ROOT / "pipeline" / folder).glob("*.sql"))
    if path.stem not in OF_THE_BOOKS
}

# What DuckDB has and Spark has not, or reads otherwise. What both have under two names and sqlglot carries over
# (string_agg, date_diff) is allowed.
DUCKDB_ONLY = re.compile(
    r"epoch\w*|str[pf]time|try_strptime|list|list_\w+|array_\w+|struct_\w+|map_\w+|string_split\w*|str_split\w*|unnest|"
    r"generate_series|range|arg_max|arg_min|quantile_cont|quantile_disc|mode|histogram|make_timestamp|to_days|to_months|"
    r"to_seconds|to_minutes|date_sub|datesub|regexp_matches|regexp_full_match|columns|glob|read_csv\w*|read_parquet|fsum|"
    r"favg|product|bool_or|bool_and|age|strlen|format|printf|hash|row|pivot|unpivot"
)
DUCKDB_CLAUSES = re.compile(r"\b(qualify|exclude|positional|asof|pragma|summarize|(?:group|order) by all)\b|//|\*\*|\[")


def not_portable(sql: str) -> list[str]:
    """What of an SQL text only DuckDB understands, and why it cannot be written for Spark."""
    text = re.sub(r"\$\{?\w+\}?", "2026-01-01", sql)  # the places of run-time values
    # Comments are gone and words are one blank apart; what stands in quotes is no code.
    quoted = (TokenType.STRING, TokenType.IDENTIFIER)
    tokens = sqlglot.tokenize(text, read="duckdb")
    code = " ".join("''" if token.token_type in quoted else token.text.lower() for token in tokens)
    found = [f"{name}()" for name in re.findall(r"\b(\w+) \(", code) if DUCKDB_ONLY.fullmatch(name)]
    found += [match.group() for match in DUCKDB_CLAUSES.finditer(code)]
    if not code.startswith(("select ", "with ")):
        found.append("begins with " + code.partition(" ")[0])
    try:
        (statement,) = sqlglot.parse(text, read="duckdb")
        assert statement is not None
        statement.sql("spark", unsupported_level=sqlglot.ErrorLevel.RAISE)
    except (sqlglot.errors.ParseError, sqlglot.errors.UnsupportedError) as e:
        found.append(str(e).partition("\n")[0])
    return found


@pytest.mark.parametrize("name", SQL)
def test_facts_and_measures_are_portable_sql(name: str) -> None:
    assert not_portable(SQL[name].read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    ("sql", "found"),
    [
        ("select epoch(b - a) from t", ["epoch()"]),
        ("select strptime(a, '%Y') from t", ["strptime()"]),
        ("select list_sum(a), string_split(b, ',') from t", ["list_sum()", "string_split()"]),
        ("select a from t qualify row_number() over (order by a) = 1", ["qualify"]),
        ("select * exclude (a) from t", ["exclude"]),
        ("select a // 2 from t", ["//"]),
        ("select a, count(*) from t group by all", ["group by all"]),
        ("from t", ["begins with from"]),
        ("select [1, 2] from t", ["["]),
        ("select a from", None),
        ("select date_diff('second', a, b), string_agg(c, ' ') from t where d = 'epoch(x)'", []),
        ("select a from t where day <= date '$as_of'", []),
    ],
)
def test_the_check_of_portable_sql_finds_what_is_not(sql: str, found: list[str] | None) -> None:
    if found is None:
        assert not_portable(sql) != []
    else:
        assert not_portable(sql) == found


@pytest.mark.parametrize(
    "command",
    [
        ["-m", "ruff", "check", "."],
        ["-m", "ruff", "format", "--check", "."],
        ["-m", "mypy"],
        ["-c", "from importlinter.cli import lint_imports_command as lint; lint()", "--no-cache"],
    ],
    ids=["ruff check", "ruff format", "mypy", "lint-imports"],
)
def test_style_types_and_imports(command: list[str]) -> None:
    done = subprocess.run([sys.executable, *command], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-2000:]


def test_the_top_level_holds_what_it_may_and_nothing_more() -> None:
    done = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.skip("not a git checkout")
    found = {name.partition("/")[0] for name in done.stdout.split("\0") if name}
    assert {name for name in found if not name.startswith(".")} - TOP_LEVEL == set()
