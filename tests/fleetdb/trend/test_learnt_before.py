from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest

from fleetdb.trend import learnt_before
from fleetdb.trend.constants import FamilyConstants
from fleetdb.trend.known import known_at
from fleetdb.trend.learning import Learnt, Sample, learn, sample_of, starting_constants
from fleetdb.trend.learnt_before import LearntBefore
from fleetdb.trend.pipeline import assess
from fleetdb.trend.teaching import Teacher
from tests.fleetdb.trend.simulated import Simulated
from tests.fleetdb.trend.small_tables import connect, day

LIMIT = 0.8


@pytest.fixture(scope="module")
def sample() -> tuple[Sample, FamilyConstants]:
    rows = Simulated(vehicles=8, tests=10).rows()
    for row in rows["test_records"]:
        row["workshop"] = "Eastyard"
    with connect(**rows) as connection:
        [series] = known_at(connection, day(3000)).families
    return sample_of(series), starting_constants(series)


@pytest.fixture
def searches(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """The limits of the searches that were made."""
    made: list[float] = []

    def searching(sample: Sample, start: FamilyConstants, limit: float) -> Learnt:
        made.append(limit)
        return learn(sample, start, limit)

    monkeypatch.setattr(learnt_before, "learn", searching)
    return made


def test_the_same_sample_is_searched_once(
    sample: tuple[Sample, FamilyConstants], searches: list[float], tmp_path: Path
) -> None:
    first, again = (LearntBefore(tmp_path / "a" / "b").learn(*sample, LIMIT) for _ in range(2))

    assert len(searches) == 1
    # Every digit comes back, so a past date's verdict is the same from either.
    assert again == first
    assert list(first.habits) == [0]


def with_last_ratio_moved(sample: Sample, by: float) -> Sample:
    ratios = sample.readings.ln_ratio.copy()
    ratios[-1] += by
    return replace(sample, readings=sample.readings._replace(ln_ratio=ratios))


def test_nothing_is_remembered_without_a_folder(
    sample: tuple[Sample, FamilyConstants], searches: list[float]
) -> None:
    for _ in range(2):
        LearntBefore(None).learn(*sample, LIMIT)

    assert len(searches) == 2


def test_another_record_start_limit_or_method_is_searched_anew(
    sample: tuple[Sample, FamilyConstants],
    searches: list[float],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    own, start = sample
    before = LearntBefore(tmp_path)
    before.learn(own, start, LIMIT)

    before.learn(with_last_ratio_moved(own, 1e-6), start, LIMIT)
    before.learn(own, start._replace(ln_build_new=start.ln_build_new + 0.1), LIMIT)
    before.learn(own, start, 0.79)
    monkeypatch.setattr(learnt_before, "METHOD", learnt_before.METHOD + 1)
    before.learn(own, start, LIMIT)

    assert len(searches) == 5


@pytest.mark.parametrize("text", ["", "{", "[]", '{"constants": {}, "habits": {}}', "\x00"])
def test_a_file_that_cannot_be_read_is_learnt_anew_and_mended(
    sample: tuple[Sample, FamilyConstants], searches: list[float], tmp_path: Path, text: str
) -> None:
    first = LearntBefore(tmp_path).learn(*sample, LIMIT)
    [path] = tmp_path.glob("*.json")
    path.write_text(text, encoding="utf-8")

    again = [LearntBefore(tmp_path).learn(*sample, LIMIT) for _ in range(2)]

    assert again == [first, first]
    assert len(searches) == 2


def test_a_folder_that_cannot_be_written_costs_no_answer(
    sample: tuple[Sample, FamilyConstants], tmp_path: Path
) -> None:
    in_the_way = tmp_path / "learnt"
    in_the_way.write_text("a file", encoding="utf-8")

    assert LearntBefore(in_the_way).learn(*sample, LIMIT) == learn(*sample, LIMIT)


def test_the_least_recently_written_files_go(
    sample: tuple[Sample, FamilyConstants], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(learnt_before, "_MOST_KEPT", 2)
    for number in range(3):
        old = tmp_path / f"{number}.json"
        old.write_text("{}", encoding="utf-8")
        os.utime(old, (number, number))

    LearntBefore(tmp_path).learn(*sample, LIMIT)

    left = {path.name for path in tmp_path.iterdir()}
    assert len(left) == 2
    assert "2.json" in left


def test_verdicts_are_the_same_whoever_learnt(tmp_path: Path, searches: list[float]) -> None:
    told = []
    for _ in range(2):
        with connect(**Simulated(vehicles=10, tests=14).rows()) as connection:
            told.append(assess(connection, day(520), teacher=Teacher(tmp_path)).verdicts)

    assert told[0].equals(told[1])
    assert len(searches) == 1
