"""Test records: their readings go to tables of their own, and they may supersede each other."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from typing import Any
from uuid import UUID

from sqlalchemy import select, true

from fleetdb.errors import Problem
from fleetdb.records import plausibility
from fleetdb.records.documents import Kind, TestRecord
from fleetdb.records.plausibility import Remark
from fleetdb.store import rows
from fleetdb.store.inserting import insert_all
from fleetdb.store.intake import OfVehicle, Planned
from fleetdb.store.lookup import register_names
from fleetdb.store.posters import posted_by, poster_of_token
from fleetdb.store.tables import (
    BuildReading,
    CylinderLeakReading,
    Kit,
    LeakReading,
    ProofReading,
    RecordRemark,
    TestRecordRow,
    Workshop,
)


class TestRecordIntake(OfVehicle[TestRecord]):
    """Test records; workshops and kits are registered when first named."""

    __test__ = False

    kind = Kind.TEST_RECORDS
    id_field = "record_id"
    table = TestRecordRow

    def fetch(self, documents: Sequence[TestRecord]) -> None:
        super().fetch(documents)
        superseded = {d.supersedes for d in documents if d.supersedes is not None}
        self._there: set[UUID] = set()
        self._superseded_by: dict[UUID, UUID] = {}
        # What the sender may be told of.
        self._seen: set[UUID] = set()
        if not superseded:
            return
        table = TestRecordRow
        mine = table.fleet_id == self.fleet_id
        poster = poster_of_token(self.session, self.token_id)
        seen = true() if poster is None else posted_by(poster, self.fleet_id)
        self._there |= set(
            self.session.scalars(
                select(table.record_id).where(mine, seen, table.record_id.in_(superseded))
            )
        )
        corrected = mine & table.supersedes.in_(superseded)
        for supersedes, record_id in self.session.execute(
            select(table.supersedes, table.record_id).where(corrected)
        ):
            if supersedes is not None:
                self._superseded_by[supersedes] = record_id
        self._seen |= set(self.session.scalars(select(table.record_id).where(corrected, seen)))

    def check(self, document: TestRecord) -> plausibility.Findings:
        vehicle, family = self._vehicle_and_family(document, document.performed_at)
        problems, remarks = plausibility.check_test_record(document, vehicle, family, self.now)
        old = document.supersedes
        if old is not None and old not in self._there:
            problems.append(Problem("/supersedes", f"there is no test record {old} in this fleet"))
        elif old is not None and old in self._superseded_by:
            by = self._superseded_by[old]
            told = f"by {by} already: supersede that one" if by in self._seen else "already"
            problems.append(Problem("/supersedes", f"test record {old} has been superseded {told}"))
        return problems, remarks

    def plan(self, document: TestRecord) -> None:
        self._there.add(document.record_id)
        self._seen.add(document.record_id)
        if document.supersedes is not None:
            self._superseded_by[document.supersedes] = document.record_id

    def lost(self, document: TestRecord) -> str:
        return f"test record {document.supersedes} has just been superseded by another"

    def insert(self, planned: Sequence[Planned[TestRecord]]) -> dict[Hashable, int]:
        documents = [p.document for p in planned]
        workshops = register_names(
            self.session, Workshop, self.fleet_id, (d.workshop for d in documents), self.now
        )
        kits = register_names(
            self.session, Kit, self.fleet_id, (d.kit for d in documents), self.now
        )
        row_ids = self._insert(
            [
                {
                    **self._received(p),
                    **rows.test_record_values(
                        p.document, self._vehicle_row(p.document), workshops, kits, self.token_id
                    ),
                }
                for p in planned
            ]
        )
        self._insert_readings([p for p in planned if p.document.record_id in row_ids], row_ids)
        return row_ids

    def _insert_readings(
        self, planned: Sequence[Planned[TestRecord]], row_ids: dict[Hashable, int]
    ) -> None:
        proofs: list[dict[str, Any]] = []
        builds: list[dict[str, Any]] = []
        leaks: list[dict[str, Any]] = []
        cylinders: list[dict[str, Any]] = []
        remarks: list[dict[str, Any]] = []
        for entry in planned:
            document, row_id = entry.document, row_ids[entry.document.record_id]
            if document.proof is not None:
                proofs.append(rows.proof_values(document.proof, row_id))
            if document.build is not None:
                builds.append(rows.build_values(document.build, row_id))
            if document.leak is not None:
                leaks.append(rows.leak_values(document.leak, row_id))
                cylinders += rows.cylinder_leak_values(document.leak, row_id)
            remarks += (
                {
                    "test_record_id": row_id,
                    "code": remark.code,
                    "pointer": remark.pointer,
                    "detail": remark.detail,
                }
                for remark in entry.remarks
            )
        insert_all(self.session, ProofReading, proofs)
        insert_all(self.session, BuildReading, builds)
        insert_all(self.session, LeakReading, leaks)
        insert_all(self.session, CylinderLeakReading, cylinders)
        insert_all(self.session, RecordRemark, remarks)

    def remarks(self, there: dict[int, TestRecord]) -> dict[int, list[Remark]]:
        table = RecordRemark
        found: dict[int, list[Remark]] = {}
        for row_id, code, pointer, detail in self.session.execute(
            select(table.test_record_id, table.code, table.pointer, table.detail)
            .where(table.test_record_id.in_(there))
            .order_by(table.id)
        ):
            found.setdefault(row_id, []).append(Remark(code, pointer, detail))
        return found
