"""The picture marks what the figures were read from, also in words."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from fleetdb.trace.figures import figures_of
from fleetdb.trace.model import Trace, TraceKind
from fleetdb.trace.picture import chart, downsampled, svg, text_alternative
from fleetdb.trace.settings import TraceSettings
from tests.fleetdb.trace.rail_balance import Rail, recorded

SETTINGS = TraceSettings(700.0, 1600.0, 40.0, rail_volume_ml=30.0)
_BLACK = "#000000"
_WARM = ("#E69F00", "#F0E442", "#D55E00", "#CC79A7")
_COLD = ("#56B4E9", "#009E73", "#0072B2")
SVG = "{http://www.w3.org/2000/svg}"


def proof() -> Trace:
    return recorded(Rail(regulator_bar=660.0), rate_hz=1000.0)


def test_the_drawing_is_svg_with_limb_plateau_and_rest_named() -> None:
    trace = proof()
    drawn = svg(trace, figures_of(trace, SETTINGS), SETTINGS)
    root = ET.fromstring(drawn)
    words = {text.text for text in root.iter(f"{SVG}text")}

    assert {"rest", "build", "plateau", "target 700 bar", "time [s]"} <= words
    assert "rail pressure [bar]" in words
    title, desc = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert root.get("role") == "img"
    assert title is not None and title.text == "Rail pressure, proof"
    assert desc is not None and "Plateau 66" in (desc.text or "")


def test_the_bands_are_where_the_figures_say() -> None:
    trace = proof()
    figures = figures_of(trace, SETTINGS)
    told = chart(trace, figures, SETTINGS).to_dict()
    rows = [row for layer in told["vconcat"][0]["layer"] for row in layer["data"]["values"]]
    plateau = figures.plateau.window
    assert plateau is not None
    bands = {row["name"]: row for row in rows if "from" in row}

    assert bands["plateau"]["from"] == plateau.from_s and bands["plateau"]["to"] == plateau.to_s
    assert set(bands) == {"rest", "build", "plateau"}


def test_colours_are_okabe_and_itos_and_never_alone() -> None:
    # Okabe & Ito 2008, "Color universal design": the eight colours.
    theirs = {_BLACK, *_WARM, *_COLD}
    trace = proof()
    told = chart(trace, figures_of(trace, SETTINGS), SETTINGS).to_json()
    used = set(re.findall(r"#[0-9A-Fa-f]{6}", told)) - {"#dddddd"}

    assert used <= theirs and len(used) > 3


def test_a_sweep_is_drawn_against_duty_too() -> None:
    time_s = np.arange(2800) / 100.0
    duty = np.repeat(np.arange(20.0, 62.0, 3.0), 200)
    noise = np.random.default_rng(1).normal(0.0, 2.0, len(duty))
    trace = Trace.checked(TraceKind.DUTY_SWEEP, time_s, 16.0 * duty + noise, duty_pct=duty)
    drawn = svg(trace, figures_of(trace, SETTINGS))

    assert "regulator duty [%]" in drawn


def test_no_peak_is_lost_however_long_the_trace() -> None:
    n = 300_000
    rail_bar = np.random.default_rng(2).normal(500.0, 2.0, n)
    rail_bar[123_456], rail_bar[200_001] = 900.0, 100.0
    time_s, kept = downsampled(np.arange(n) / 1000.0, rail_bar, 760)

    assert len(kept) <= 2 * 760
    assert {900.0, 100.0} <= set(kept)
    assert (np.diff(time_s) > 0).all()


def test_a_short_trace_is_drawn_whole() -> None:
    time_s, rail_bar = np.arange(100) / 10.0, np.linspace(0.0, 1.0, 100)

    assert np.array_equal(downsampled(time_s, rail_bar, 760)[1], rail_bar)


@pytest.mark.parametrize("kind", [TraceKind.PROOF, TraceKind.HOLD])
def test_words_name_what_was_found_with_units(kind: TraceKind) -> None:
    rail = Rail(regulator_bar=660.0, crank_to_s=4.0, leak_ml_per_s_per_bar=0.2 / 700)
    trace = recorded(rail, kind, length_s=12.0)
    words = text_alternative(trace, figures_of(trace, SETTINGS))

    assert "bar/s" in words
    assert ("mL/min" in words) == (kind is TraceKind.HOLD)
