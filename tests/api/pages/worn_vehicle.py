"""A vehicle posted as workshops would: its pump falls away, and one test is botched."""

from __future__ import annotations

import json
import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

from api.examples import DOCUMENTS
from fleetdb.records.documents import Kind

FIRST = datetime(2024, 1, 10, 9, tzinfo=UTC)
RATIOS = (0.95, 0.96, 0.95, 0.94, 0.95, 0.55, 0.94, 0.92, 0.88, 0.82, 0.74, 0.66)
BOTCHED = 5
KITS = ("K-1", "K-2", None)


def post_family(api: Any) -> None:
    answer = api.manager.post("/v1/pump-families", json=DOCUMENTS[Kind.PUMP_FAMILIES])
    assert answer.status_code in (200, 201), answer.text


def post_worn_vehicle(
    api: Any, vehicle: str = "V-9", tests: int = len(RATIOS), **fields: Any
) -> None:
    """Post a vehicle with the first ``tests`` of ``RATIOS``, a fitment and a finding."""
    post_family(api)
    document = {**DOCUMENTS[Kind.VEHICLES], "vehicle": vehicle, "depot": "Quarry Lane"}
    assert api.manager.post("/v1/vehicles", json=document).status_code == 201
    lines = "\n".join(json.dumps({**record_of(vehicle, n), **fields}) for n in range(tests))
    answer = api.manager.post(
        "/v1/test-records/batch", content=lines, headers={"Content-Type": "application/x-ndjson"}
    )
    assert answer.text.count('"accepted"') == tests, answer.text
    for path, event in (
        (
            "fitments",
            {"fitment_id": _id(vehicle, "f"), "part": "fuel_filter", "fitted_at": _at(3.5)},
        ),
        (
            "findings",
            {
                "finding_id": _id(vehicle, "g"),
                "part": "injector",
                "outcome": "worn_confirmed",
                "found_at": _at(7.5),
                "note": "cylinder 2",
            },
        ),
    ):
        posted = api.manager.post(f"/v1/{path}", json={"vehicle": vehicle, **event})
        assert posted.status_code == 201, posted.text


def record_of(vehicle: str, n: int) -> dict[str, Any]:
    """Return the test number ``n`` of a vehicle."""
    kit = KITS[n % len(KITS)]
    return {
        "record_id": _id(vehicle, n),
        "vehicle": vehicle,
        "performed_at": _at(n),
        "odometer_km": 50_000 + 4_000 * n,
        **({"kit": kit} if kit else {}),
        "conditions": {"fuel_temp_c": 15 + n, "crank_rpm": 190} if n % 4 else {},
        "proof": {"duty_pct": 45, "target_bar": 700, "actual_bar": round(700 * RATIOS[n])},
        "build": {"rate_bar_per_s": round(420 * RATIOS[n])},
        "leak": {
            "duration_s": 60,
            "cylinders": [{"cylinder": c, "ml": 12.0 + c + 20 * (c == 2)} for c in range(1, 7)],
        },
    }


def record_id(vehicle: str, n: int) -> str:
    return _id(vehicle, n)


def _at(n: float) -> str:
    return (FIRST + timedelta(days=70 * n)).isoformat()


def _id(vehicle: str, what: Any) -> str:
    return str(uuid.uuid5(uuid.NAMESPACE_OID, f"{vehicle}/{what}"))
