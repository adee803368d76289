from __future__ import annotations

import re
import uuid
from datetime import timedelta
from typing import Any
from xml.etree import ElementTree

import pytest

from fleetdb.records.documents import Fitment, Part
from fleetdb.report.vehicle_chart import SIZES, picture_words, vehicle_chart, vehicle_svg
from fleetdb.report.vehicle_points import Over, Points, points_of
from tests.fleetdb.report.accounts import START, account, event, leaks, reading, seen

TESTS = [
    seen(1, reading(0.93), build_rate_bar_per_s=reading(400.0), leaks=leaks(30.0, 31.0)),
    seen(2, reading(0.5, p=0.97), kit=None),
    seen(3, reading(0.85, temperature=0.9), build_rate_bar_per_s=reading(350.0)),
]


def points(over: Over = Over.DATE, *extra: Any) -> Points:
    found = points_of(account(*TESTS, events=tuple(extra)), over)
    assert found is not None
    return found


def texts(svg: str) -> list[str]:
    root = ElementTree.fromstring(svg)
    return [node.text or "" for node in root.iter("{http://www.w3.org/2000/svg}text")]


def test_there_is_a_panel_for_each_figure_with_limit_and_kits() -> None:
    shown = texts(vehicle_svg("V1", points()))
    for name in ("proof ratio", "build rate [bar/s]", "delivery reserve", "leak [mL/min]"):
        assert name in shown
    assert shown.count("limit 0.80") == 2
    assert "K1" in shown and "no kit named" in shown
    assert shown.count("set aside") == 1
    # 31 mL/min is above half of 200 / 4 cylinders
    assert "even share of the limit, 50" in shown


def test_a_panel_without_figures_is_left_out() -> None:
    found = points_of(account(seen(1, reading(0.9))), Over.DATE)
    assert found is not None
    shown = texts(vehicle_svg("V1", found))
    assert "proof ratio" in shown
    assert not {"build rate [bar/s]", "leak [mL/min]"} & set(shown)


def test_hollow_marks_are_those_set_aside() -> None:
    [ratio, *_] = vehicle_chart(points(), SIZES["wide"]).to_dict()["vconcat"]
    by_mark = {
        layer["mark"].get("filled"): [row["raw"] for row in layer["data"]["values"]]
        for layer in ratio["layer"]
        if layer["mark"]["type"] == "point" and "filled" in layer["mark"]
    }
    assert by_mark == {True: [0.93, 0.85], False: [0.5]}


def test_all_panels_share_one_axis() -> None:
    own = points()
    for panel in vehicle_chart(own, SIZES["wide"]).to_dict()["vconcat"]:
        for layer in panel["layer"]:
            x = layer["encoding"].get("x", {})
            if "scale" in x:
                assert x["scale"]["domain"] == list(own.span)


def test_letters_that_would_overlap_stand_in_rows() -> None:
    marks = [
        event(
            Fitment(
                fitment_id=uuid.uuid4(),
                vehicle="V1",
                part=Part.FUEL_FILTER,
                fitted_at=START + timedelta(days=15 + n),
            ),
            letter,
        )
        for n, letter in enumerate("ABC")
    ]
    svg = vehicle_svg("V1", points(Over.DATE, *marks))
    places = {
        match[2]: float(match[1])
        for match in re.finditer(r'translate\([\d.]+,(-?[\d.]+)\)"[^>]*>([ABC])<', svg)
    }
    assert sorted(places) == ["A", "B", "C"]
    assert len(set(places.values())) == 3


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("over", Over)
def test_the_document_says_in_words_what_it_shows(size: str, over: Over) -> None:
    own = points(over)
    svg = vehicle_svg("<V&1>", own, size)
    root = ElementTree.fromstring(svg)
    assert root.findtext("{http://www.w3.org/2000/svg}title") == "Tests of <V&1>"
    words = root.findtext("{http://www.w3.org/2000/svg}desc")
    assert words is not None and words == picture_words(own)
    assert "3 proof ratios, 2 build rates" in words
    assert "from 0.93 to 0.94" in words  # 0.85 / 0.9
    assert "in a year 0.90 (0.70 to 1.10)" in words
    assert float(root.attrib["width"]) < (950 if size == "wide" else 390)
    assert ("odometer [km]" in texts(svg)) == (over is Over.KM)


def test_no_colour_of_its_own_is_as_dark_or_as_light_as_a_page() -> None:
    drawn = vehicle_svg("V1", points()).split("</style>")[1]
    assert not re.search(r'(?:fill|stroke)="(?:black|white|#000|#fff|#000000|#ffffff)"', drawn)
