import pyarrow as pa

from fleetdb.records.trend_schemas import TEST_RECORDS
from fleetdb.warehouse.contents import Contents, contents_of


def record(**values: object) -> pa.Table:
    return pa.Table.from_pylist([values], schema=TEST_RECORDS)


FIRST = record(record_id="a", actual_bar=650.0, leak_cylinders=[{"cylinder": 1, "ml": 4.0}])
SECOND = record(record_id="b", actual_bar=651.0)


def test_order_and_batches_do_not_matter() -> None:
    together = pa.concat_tables([FIRST, SECOND])
    assert contents_of([together]) == contents_of([SECOND, FIRST])
    assert contents_of([together]).rows == 2


def test_no_table_and_an_empty_one_are_equal() -> None:
    assert contents_of([]) == contents_of([TEST_RECORDS.empty_table()]) == Contents(0, 0)


def test_one_changed_value_changes_the_digest() -> None:
    base = contents_of([FIRST])
    leaks = [{"cylinder": 1, "ml": 4.0}]
    changed = [
        record(record_id="a", actual_bar=650.0000001, leak_cylinders=leaks),
        record(record_id="a", target_bar=650.0, leak_cylinders=leaks),
        record(record_id="a", actual_bar=650.0, leak_cylinders=[{"cylinder": 2, "ml": 4.0}]),
        record(record_id="a", actual_bar=650.0),
    ]
    assert all(contents_of([table]) != base for table in changed)


def test_a_row_twice_is_not_the_row_once() -> None:
    assert contents_of([FIRST, FIRST]) != contents_of([FIRST])
