"""What readings come to, by hand."""

import pytest

from fleetdb.records.documents import Kind, TestRecord
from fleetdb.records.figures import Figures, figures_of
from tests.documents import document_of


def record_of(**changes: object) -> TestRecord:
    document = document_of(Kind.TEST_RECORDS, **changes)
    assert isinstance(document, TestRecord)
    return document


def test_650_bar_of_700_is_a_ratio_of_0_93() -> None:
    # Common practice, no source: 650 bar reached of about 700 is a very sound pump, 0.93.
    record = record_of(proof={"target_bar": 700, "actual_bar": 650})

    assert figures_of(record).raw_proof_ratio == pytest.approx(0.93, abs=0.005)


def test_the_leak_is_told_per_minute_for_each_cylinder_and_for_all() -> None:
    cylinders = [{"cylinder": 3, "ml": 5}, {"cylinder": 1, "ml": 10}]
    record = record_of(leak={"duration_s": 30, "cylinders": cylinders})

    figures = figures_of(record)

    assert figures.raw_leak_ml_per_min_by_cylinder == {1: 20.0, 3: 10.0}
    assert list(figures.raw_leak_ml_per_min_by_cylinder) == [1, 3]
    assert figures.raw_leak_ml_per_min == 30.0


def test_a_reading_not_taken_has_no_figure() -> None:
    record = record_of(proof=None, leak=None, build={"rate_bar_per_s": 250})

    assert figures_of(record) == Figures(None, 250.0, None, {})


def test_no_pressure_and_no_leak_are_figures_of_zero() -> None:
    record = record_of(
        proof={"target_bar": 700, "actual_bar": 0},
        build={"rate_bar_per_s": 0},
        leak={"duration_s": 60, "cylinders": [{"cylinder": 1, "ml": 0}]},
    )

    assert figures_of(record) == Figures(0.0, 0.0, 0.0, {1: 0.0})
