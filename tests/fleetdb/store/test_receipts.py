"""The first receipt kept for a record is the one that stands."""

from fleetdb.records.documents import Kind
from fleetdb.store.engine import Store
from fleetdb.store.receipts import keep_receipt, kept_receipt
from tests.documents import post, post_family_and_vehicle


def test_the_first_receipt_stands(store: Store) -> None:
    post_family_and_vehicle(store)
    row_id = post(store, Kind.TEST_RECORDS).row_id

    with store.write() as session:
        assert kept_receipt(session, row_id) is None
        assert keep_receipt(session, row_id, "first") == "first"
    with store.write() as session:
        assert keep_receipt(session, row_id, "second") == "first"
        assert kept_receipt(session, row_id) == "first"
