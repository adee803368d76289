"""The picture of stated against came: its points, and the same in words."""

from __future__ import annotations

import re
from typing import Any
from xml.etree import ElementTree

from fleetdb.report.calibration_chart import calibration_chart, calibration_svg, calibration_words

ROWS: list[dict[str, Any]] = [
    {"tenth": 0, "n": 1234, "stated": 0.02, "observed": 0.01},
    {"tenth": 9, "n": 10, "stated": 0.95, "observed": 1.0},
]


def test_a_point_stands_where_its_tenth_was_stated_and_came() -> None:
    layers = calibration_chart(ROWS).to_dict()["layer"]
    assert layers[1]["data"]["values"] == [
        {"stated": 0.02, "observed": 0.01, "n": "1,234"},
        {"stated": 0.95, "observed": 1.0, "n": "10"},
    ]
    for layer in layers:
        for axis in ("x", "y"):
            assert layer["encoding"][axis]["scale"]["domain"] == [0, 1]


def test_the_document_says_in_words_what_it_shows() -> None:
    words = calibration_words(ROWS)
    assert "stated 2%, came so 1% of 1,234 month ends" in words
    svg = calibration_svg(ROWS)
    root = ElementTree.fromstring(svg)
    assert root.attrib["role"] == "img"
    assert root.findtext("{http://www.w3.org/2000/svg}desc") == words
    assert "1,234" in svg and "#0072B2" in svg


def test_no_colour_of_its_own_is_as_dark_or_as_light_as_a_page() -> None:
    svg = calibration_svg(ROWS)
    drawn = svg.split("</style>")[1]
    assert not re.search(r'(?:fill|stroke)="(?:black|white|#000|#fff|#000000|#ffffff)"', drawn)
    assert "prefers-color-scheme:dark" in svg
