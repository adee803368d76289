"""The picture of a kit's past: its lines, and the same in words."""

from __future__ import annotations

from datetime import UTC, datetime
from xml.etree import ElementTree

from fleetdb.report.kit_bias_chart import SIZES, kit_bias_chart, kit_bias_svg, kit_bias_words
from fleetdb.report.kit_readings import KitMoment

PAST = [
    KitMoment(datetime(2025, 1, 7, 13), 0.5, 1.0, 0.02),  # noqa: DTZ001 - bare UTC
    KitMoment(datetime(2025, 2, 5, 18), -12.0, 0.5, 0.99),  # noqa: DTZ001
]
CALIBRATED = [datetime(2025, 1, 20, tzinfo=UTC)]


def test_the_band_is_drawn_whole_and_tests_that_read_off_are_marked() -> None:
    layers = kit_bias_chart(PAST, CALIBRATED, SIZES["wide"]).to_dict()["layer"]
    band = layers[1]["data"]["values"][1]
    low, high = layers[0]["encoding"]["y"]["scale"]["domain"]
    assert low <= band["low"] < -12 < band["high"] <= high
    assert [row["bias"] for row in layers[3]["data"]["values"]] == [-12.0]
    assert [row["bias"] for row in layers[0]["data"]["values"]] == [2.5, -2.5]


def test_on_a_phone_the_picture_is_narrow_and_its_letters_as_large() -> None:
    wide, narrow = (
        ElementTree.fromstring(kit_bias_svg("K", PAST, CALIBRATED, size))
        for size in ("wide", "narrow")
    )
    # A phone of 390 px has some 360 for a picture: no wider, so that it is not made smaller.
    assert float(narrow.attrib["width"]) <= 360 < float(wide.attrib["width"])
    letters = {text.attrib["font-size"] for text in narrow.iter() if "font-size" in text.attrib}
    assert letters == {
        text.attrib["font-size"] for text in wide.iter() if "font-size" in text.attrib
    }


def test_the_words_say_what_is_drawn() -> None:
    words = kit_bias_words(PAST, CALIBRATED)
    assert words == (
        "From 2025-01-07 to 2025-02-05: first +0.5 %, last -12.0 %, lowest -12.0 %, highest "
        "+0.5 %. It read off at 1 of 2 moments. Calibrated 2025-01-20."
    )
    assert "never read off" in kit_bias_words(PAST[:1], [])
    assert kit_bias_words([], []) == "No test says anything of it yet."


def test_a_hostile_name_is_text_and_an_empty_past_is_drawn() -> None:
    root = ElementTree.fromstring(kit_bias_svg("</title><script>x</script>\\1", PAST, CALIBRATED))
    assert root.findtext("{http://www.w3.org/2000/svg}title") == (
        "What kit </title><script>x</script>\\1 adds to every pressure"
    )
    assert ElementTree.fromstring(kit_bias_svg("K", [], [])).tag.endswith("svg")
