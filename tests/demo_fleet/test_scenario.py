from demo_fleet.scenario import (
    FAMILIES,
    TOWNS,
    depot_name,
    kit_name,
    vehicle_name,
    workshop_name,
)


def test_names_never_repeat_however_many_are_asked_for():
    assert len(set(TOWNS)) == len(TOWNS)
    for name in (depot_name, kit_name, vehicle_name, lambda i: workshop_name(i, 5)):
        names = [name(index) for index in range(300)]
        assert len(set(names)) == 300


def test_families_differ_in_rail_limit_and_ask_for_less_than_it():
    assert {family.rail_max_bar for family in FAMILIES} == {1600, 1800, 2000}
    assert {family.cylinders for family in FAMILIES} == {4, 6}
    assert all(family.proof_target_bar < family.rail_max_bar / 2 for family in FAMILIES)
    assert sum(family.share for family in FAMILIES) == 1
