from pathlib import Path

from fleetdb.warehouse import layout


def test_fleets_share_no_folder() -> None:
    home = Path("home")
    places = [
        place(home, fleet_id)
        for fleet_id in (1, 2)
        for place in (
            layout.mirror_folder,
            layout.snapshots_folder,
            layout.mirror_lock,
            layout.refresh_lock,
        )
    ]
    assert len(set(places)) == 8
    assert {path.parent for path in places} == {Path("home/warehouse/1"), Path("home/warehouse/2")}
