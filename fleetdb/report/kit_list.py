"""The kits of a fleet: how much each is used, and how it reads by the published verdicts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

import polars as pl
from rich.console import Console
from rich.table import Table
from rich.text import Text

from fleetdb.report.json_values import json_value
from fleetdb.store.kits import KitUse


@dataclass(frozen=True, slots=True)
class KitStanding:
    """One kit. What is not known of it, for want of a usable test or of a snapshot, is None."""

    kit: str
    bias_pct: float | None
    """What it adds to every pressure: negative reads low. [%]"""
    sd_bias_pct: float | None
    probability_off: float | None
    """Chance that it is off by more than 2.5 %. [-]"""
    reads_off: bool
    """It is named: more likely off than the line in ``fleetdb.trend.kit_table`` asks."""
    off_since: datetime | None
    """Its first test that counts as off, of the run up to now."""
    n_tests: int
    """Every record that names it, superseded and void ones too."""
    n_tests_judged: int
    """Those of them that say something of its bias."""
    last_test_at: datetime | None
    last_calibrated_at: datetime | None
    first_named_at: datetime
    verdicts_touched: int
    """Fitted pumps tested with it in the last year, or since it began to read off if earlier."""


def kit_standings(uses: Iterable[KitUse], judged: pl.DataFrame | None) -> list[KitStanding]:
    """Join what the store counts with what the trend says.

    ``judged`` is the snapshot's table ``kits`` (``fleetdb.trend.kit_table.KITS``); None
    before the first snapshot.
    """
    by_kit: dict[str, Mapping[str, Any]] = {}
    if judged is not None:
        by_kit = {row["kit"]: row for row in judged.iter_rows(named=True)}
    standings = []
    for use in uses:
        row = by_kit.get(use.kit, {})
        standings.append(
            KitStanding(
                kit=use.kit,
                bias_pct=row.get("bias_pct"),
                sd_bias_pct=row.get("sd_bias_pct"),
                probability_off=row.get("probability_off"),
                reads_off=row.get("reads_off", False),
                off_since=row.get("off_since"),
                n_tests=use.n_tests,
                n_tests_judged=row.get("n_tests", 0),
                last_test_at=use.last_test_at,
                last_calibrated_at=use.last_calibrated_at,
                first_named_at=use.first_named_at,
                verdicts_touched=row.get("verdicts_touched", 0),
            )
        )
    return standings


def kits_after(
    standings: list[KitStanding], after: str | None, reads_off: bool | None, limit: int
) -> list[KitStanding]:
    """Return up to ``limit`` kits by name: after the name ``after``, of one sort only if asked."""
    listed = [
        kit
        for kit in sorted(standings, key=lambda k: k.kit)
        if (after is None or kit.kit > after) and reads_off in (None, kit.reads_off)
    ]
    return listed[:limit]


def kit_json(standing: KitStanding) -> dict[str, Any]:
    """Return a kit as JSON values; times are UTC."""
    return json_value(asdict(standing))


def print_kits(standings: list[KitStanding], console: Console, *, every: bool) -> None:
    """Print the kits that read off or, with ``every``, all; the farthest off first."""
    off = [kit for kit in standings if kit.reads_off]
    listed = standings if every else off
    table = Table(header_style="bold")
    table.add_column("kit", overflow="fold", min_width=5)
    table.add_column("reads\nchance that it is off", no_wrap=True)
    table.add_column("off since\ncalibrated", no_wrap=True)
    table.add_column("tests\nlast test", justify="right", no_wrap=True)
    table.add_column("verdicts\ntouched", justify="right")
    for kit in sorted(listed, key=lambda k: (not k.reads_off, -abs(k.bias_pct or 0.0), k.kit)):
        chance = "-" if kit.probability_off is None else f"{100 * kit.probability_off:.0f} %"
        table.add_row(
            Text(kit.kit),
            f"{_reading(kit)}\n{chance}",
            f"{_day(kit.off_since)}\n{_day(kit.last_calibrated_at)}",
            f"{kit.n_tests}\n{_day(kit.last_test_at)}",
            str(kit.verdicts_touched),
        )
    console.print(
        f"{len(standings)} kits, {len(off)} of them read off by more than 2.5 % as far as "
        "vehicles tested with several can tell.",
        highlight=False,
    )
    if listed:
        console.print(table)
    if off:
        console.print(
            "Verdicts allow for what a kit adds. Have these calibrated, and record it: until "
            "then their results stay less certain than others.",
            highlight=False,
        )


def _reading(kit: KitStanding) -> str:
    if kit.bias_pct is None or kit.sd_bias_pct is None:
        return "not known"
    way = "▼ low" if kit.bias_pct < 0 else "▲ high"
    shown = f"{kit.bias_pct:+.1f} ± {kit.sd_bias_pct:.1f} %"
    return f"{way} {shown}" if kit.reads_off else f"● {shown}"


def _day(moment: datetime | None) -> str:
    return "-" if moment is None else f"{moment:%Y-%m-%d}"
