"""Three requests to try on the demo's server, as curl commands."""

from __future__ import annotations

import json
from datetime import date
from uuid import NAMESPACE_URL, uuid5

from demo_fleet.scenario import FAMILIES


def curl_commands(
    address: str, token: str, vehicle: str, pump_family: str, ends_on: date
) -> list[tuple[str, str]]:
    """Return (what it does, command) of three requests about ``vehicle``.

    They are one line each and run in any POSIX shell. The record posted has always
    the same id, so posting it again is answered with the same receipt.
    """
    head = f"curl -sS -H 'Authorization: Bearer {token}'"
    family = next(family for family in FAMILIES if family.name == pump_family)
    record = {
        "record_id": str(uuid5(NAMESPACE_URL, f"demo-record:{vehicle}:{ends_on}")),
        "vehicle": vehicle,
        "performed_at": f"{ends_on}T15:30:00Z",
        "kit": "K01",
        "conditions": {"fuel_temp_c": 38, "crank_rpm": family.reference_crank_rpm},
        "proof": {
            "duty_pct": family.proof_duty_pct,
            "target_bar": family.proof_target_bar,
            "actual_bar": round(0.7 * family.proof_target_bar),
        },
    }
    list_query = f"state=book_in&state=stand_down&as_of={ends_on}&limit=3"
    return [
        (
            f"what to act on, as of the end of the history ({ends_on}):",
            f"{head} '{address}/v1/verdicts?{list_query}'",
        ),
        (
            f"everything known of vehicle {vehicle}:",
            f"{head} {address}/v1/vehicles/{vehicle}/history",
        ),
        (
            "post a test and get its receipt, with the pump's verdict:",
            f"{head} -H 'Content-Type: application/json' "
            f"-d '{json.dumps(record, separators=(',', ':'))}' {address}/v1/test-records",
        ),
    ]
