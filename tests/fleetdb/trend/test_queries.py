"""The SQL is source: every file is reviewed as such, tested, and used."""

from __future__ import annotations

import re
from importlib.resources import files
from pathlib import Path

import duckdb
import pytest

from fleetdb.trend import queries

FOLDER = Path(str(files("fleetdb.trend").joinpath("sql")))
NAMES = sorted(path.stem for path in FOLDER.glob("*.sql"))
CODE = "\n".join(path.read_text(encoding="utf-8") for path in FOLDER.parent.glob("*.py"))
TESTS = "\n".join(
    path.read_text(encoding="utf-8")
    for path in Path(__file__).parent.rglob("*.py")
    if path != Path(__file__)
)


def header_of(name: str) -> str:
    """Return the comment a file opens with, up to its first statement."""
    lines = queries.sql_text(name).splitlines()
    end = next(n for n, line in enumerate(lines) if not line.startswith("--"))
    return "\n".join(lines[:end])


def test_there_are_queries() -> None:
    assert len(NAMES) > 10


@pytest.mark.parametrize("name", NAMES)
def test_every_query_opens_with_what_it_answers(name: str) -> None:
    first, *rest = header_of(name).splitlines()
    assert re.match(r"-- \w", first)
    assert not re.match(r"-- (Grain|Reads|Params|Returns):", first)
    for field in ("Grain", "Reads", "Returns"):
        assert any(re.match(rf"-- {field}: +\S", line) for line in rest), field


@pytest.mark.parametrize("name", NAMES)
def test_every_parameter_is_named_in_the_header(name: str) -> None:
    text, header = queries.sql_text(name), header_of(name)
    used = set(re.findall(r"\$\w+", text.removeprefix(header)))
    told = " ".join(re.findall(r"-- Params: .*(?:\n--  +(?!\w+:).*)*", header))

    assert used == set(re.findall(r"\$\w+", told))


@pytest.mark.parametrize("name", NAMES)
def test_every_query_is_used_by_the_code_and_tested(name: str) -> None:
    assert f'"{name}"' in CODE
    tested = (Path(__file__).parent / "sql" / f"test_{name}.py").exists()
    assert tested or f'"{name}"' in TESTS or f"{name}(" in TESTS


def test_an_answer_is_kept_under_its_querys_name() -> None:
    with duckdb.connect() as connection:
        connection.execute(
            "CREATE TABLE readings AS SELECT * FROM (VALUES (180.0, 200.0), (NULL, 200.0)) "
            "t(crank_rpm, reference_crank_rpm)"
        )
        queries.keep(connection, "usual_crank_speed", few=1, unknown_sd=0.1, least_sd=0.03)
        kept = connection.table("usual_crank_speed").to_arrow_table()
        queries.keep(connection, "usual_crank_speed", few=1, unknown_sd=0.1, least_sd=0.03)

        assert kept.equals(
            queries.answer(connection, "usual_crank_speed", few=1, unknown_sd=0.1, least_sd=0.03)
        )


def test_values_are_bound_and_never_written_into_a_query() -> None:
    assert not re.search(r"sql_text\([^)]*\)\s*\.\s*(format|replace)|\.format\(", CODE)
    for name in NAMES:
        assert "{" not in re.sub(r"\{'\w+':[^}]*\}", "", queries.sql_text(name)), name


def test_a_query_that_does_not_exist_is_an_error() -> None:
    with pytest.raises(FileNotFoundError):
        queries.sql_text("no_such_query")


def test_a_query_of_nothing_is_not_asked_and_of_something_is(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(queries, "_NO_ROWS", {})
    asked: list[str] = []

    def counted(name: str) -> str:
        asked.append(name)
        return "SELECT n, 2 * n AS twice FROM numbers"

    monkeypatch.setattr(queries, "sql_text", counted)
    with duckdb.connect() as connection:
        connection.execute("CREATE TABLE numbers (n INTEGER)")
        first = queries.answer_from(connection, "numbers", "doubled")
        again = queries.answer_from(connection, "numbers", "doubled")
        assert len(asked) == 1
        assert again.equals(first)
        connection.execute("INSERT INTO numbers VALUES (4)")
        assert queries.answer_from(connection, "numbers", "doubled")["twice"].to_pylist() == [8]
        connection.execute("DELETE FROM numbers")
        assert len(queries.answer_from(connection, "numbers", "doubled")) == 0
