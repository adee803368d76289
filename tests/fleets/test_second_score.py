from dataclasses import replace
from pathlib import Path

from tests.fleets.second.kinds import KINDS
from tests.fleets.second_score import judge, report


def test_verdicts_on_a_second_generators_fleet_call_less_in_vain_than_the_last_raw_ratio(
    tmp_path: Path,
) -> None:
    kind = replace(KINDS["plain"], years=2.0)
    judged = judge(kind, vehicles=60, seed=2, folder=tmp_path)

    figures = report("plain", judged)
    assert judged.verdicts.healthy_vehicle_years > 30
    assert judged.verdicts.false_per_100_vehicle_years < judged.rule.false_per_100_vehicle_years, (
        figures
    )
    assert judged.verdicts.calibration["n"].sum() > 300
    assert "replayed in" in figures
