"""What happened when in a trace: rest, the climb, the plateau."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from fleetdb.trace.bends import level_then_line
from fleetdb.trace.figure import Window
from fleetdb.trace.model import Trace
from fleetdb.trace.robust import noise_sd

Floats = NDArray[np.float64]

# Long enough to average noise, short against a climb of half a second.
BLOCK_S = 0.05
# A pressure counts as held when it stays for so long.
HELD_S = 0.5
# Smoothed over so long the strokes of a cranked pump hardly show.
_SMOOTHED_S = 0.35
# The plateau is where pressure stays within this of its level, or within its own scatter.
PLATEAU_BAND = 0.04
_BAND_SDS = 4.0
NEAR_LEVEL = 0.9
# A second is flat when its pressures, smoothed, are within this of each other.
_FLAT_SHARE, _FLAT_SDS = 0.05, 6.0
# A trace that begins above this share of its level has no rest before.
_REST_SHARE = 0.25
# Pressure has left rest once it is this share of the level above it.
ONSET_SHARE = 0.05
SHORTEST_REST_S = 0.15
_FEWEST_ON_LINE = 3
_BEND_SHARE = 0.01
_CRANKING_SHARE = 0.5


@dataclass(frozen=True)
class Blocks:
    """Medians over short stretches of equally many samples; shape (n_blocks,)."""

    time_s: Floats
    rail_bar: Floats
    n_samples_each: int

    @property
    def step_s(self) -> float:
        return float(self.time_s[1] - self.time_s[0])


def blocks_of(trace: Trace, length_s: float = BLOCK_S) -> Blocks:
    """Return the trace in blocks of about ``length_s``, at least one sample each."""
    size = max(1, round(length_s * trace.rate_hz))
    size = min(size, trace.n_samples // 4)
    n = trace.n_samples // size * size
    return Blocks(
        trace.time_s[:n].reshape(-1, size).mean(axis=1),
        np.median(trace.rail_bar[:n].reshape(-1, size), axis=1),
        size,
    )


@dataclass(frozen=True)
class Phases:
    """The stretches of a trace, found once for all figures."""

    trace: Trace
    blocks: Blocks

    @classmethod
    def of(cls, trace: Trace) -> Phases:
        return cls(trace, blocks_of(trace))

    @cached_property
    def held_at(self) -> int:
        """First block of the half second over which the highest pressure was held.

        Held is a pressure that stays flat for a second (for half of one, if nothing does): the
        top of a slow overshoot does not. Where nothing is flat, it is the half second whose
        lowest pressure is highest.
        """
        rail_bar, n = self._level_bar, len(self._level_bar)
        scatter = noise_sd(self._smooth_bar)
        for seconds in (2.0 * HELD_S, HELD_S):
            size = min(max(3, round(seconds / self.blocks.step_s)), n)
            windows = sliding_window_view(rail_bar, size)
            lowest, highest = windows.min(axis=1), windows.max(axis=1)
            spread = np.maximum(_FLAT_SHARE * highest, _FLAT_SDS * scatter)
            flat = np.isfinite(lowest) & (lowest >= highest - spread)
            if flat.any():
                return int(np.argmax(np.where(flat, lowest, -np.inf)))
        lowest = sliding_window_view(rail_bar, self._n_held).min(axis=1)
        return int(np.argmax(lowest))

    @cached_property
    def held_bar(self) -> float:
        """The highest pressure that was held for half a second. [bar]"""
        held = slice(self.held_at, self.held_at + self._n_held)
        return float(np.median(self.blocks.rail_bar[held]))

    @property
    def _n_held(self) -> int:
        return min(max(3, round(HELD_S / self.blocks.step_s)), len(self.blocks.rail_bar))

    @cached_property
    def _level_bar(self) -> Floats:
        """Block pressures smoothed over strokes, minus infinity where the engine did not turn."""
        crank_rpm, rail_bar = self.trace.crank_rpm, self._smooth_bar
        if crank_rpm is None or not (crank_rpm > 0).any():
            return rail_bar
        at_blocks = np.interp(self.blocks.time_s, self.trace.time_s, crank_rpm)
        usual_rpm = float(np.median(crank_rpm[crank_rpm > 0]))
        turning = at_blocks >= _CRANKING_SHARE * usual_rpm
        return np.where(turning, rail_bar, -np.inf) if turning.sum() >= 3 else rail_bar

    @cached_property
    def _smooth_bar(self) -> Floats:
        size = max(1, min(round(_SMOOTHED_S / self.blocks.step_s), len(self.blocks.rail_bar) // 4))
        kernel = np.ones(size)
        counts = np.convolve(np.ones(len(self.blocks.rail_bar)), kernel, "same")
        return np.convolve(self.blocks.rail_bar, kernel, "same") / counts

    @cached_property
    def level_stretch(self) -> tuple[int, int]:
        """First block, and the one after the last, of the stretch about the held pressure."""
        rail_bar = self._level_bar
        scatter = noise_sd(self._smooth_bar[self.held_at :])
        level = self.held_bar
        first = last = self.held_at
        for _ in range(3):
            band = max(PLATEAU_BAND * level, _BAND_SDS * scatter)
            inside = np.abs(rail_bar - level) <= band
            first, last = _run_about(inside, min(max(self.held_at, first), last))
            level = float(np.median(self.blocks.rail_bar[first : last + 1]))
        return self._without_bends(first, last + 1)

    def _without_bends(self, first: int, end: int) -> tuple[int, int]:
        """Return the stretch without the decay after it and the end of the climb before it."""
        level = self.blocks.rail_bar[first:end]
        if (n_level := self._level_before_bend(level, falling=True)) is not None:
            end = first + n_level
        level = self.blocks.rail_bar[first:end]
        if (n_level := self._level_before_bend(level[::-1], falling=False)) is not None:
            first = end - n_level
        return first, end

    def _level_before_bend(self, rail_bar: Floats, *, falling: bool) -> int | None:
        """Return how many blocks are level before a bend that matters, None without one."""
        if len(rail_bar) < 2 * self._n_held:
            return None
        n_level, slope = level_then_line(rail_bar, _FEWEST_ON_LINE)
        change_bar = slope * (len(rail_bar) - n_level)
        if n_level < self._n_held or (falling and change_bar > 0):
            return None
        return n_level if abs(change_bar) > _BEND_SHARE * self.held_bar else None

    @cached_property
    def near_level(self) -> Window | None:
        """From when pressure is near its level to when it last is: longer than the stretch.

        For what does not mind a slow drift.
        """
        near = np.flatnonzero(self._level_bar >= NEAR_LEVEL * self.held_bar)
        if len(near) < 2 or self.held_bar <= 0:
            return None
        half_s = 0.5 * self.blocks.step_s
        from_s, to_s = self.blocks.time_s[near[0]], self.blocks.time_s[near[-1]]
        return Window(float(from_s) + half_s, float(to_s) - half_s)

    @cached_property
    def onset_block(self) -> int | None:
        """Last block at rest before the climb; None where the trace begins with pressure."""
        rail_bar = self.blocks.rail_bar
        start_bar = float(np.median(rail_bar[:3]))
        if start_bar > _REST_SHARE * self.held_bar or self.held_bar <= 0:
            return None
        halfway = start_bar + 0.5 * (self.held_bar - start_bar)
        top = int(np.argmax(rail_bar >= halfway))
        low = rail_bar[:top] <= start_bar + ONSET_SHARE * (self.held_bar - start_bar)
        return int(np.flatnonzero(low)[-1]) if low.any() else None

    @cached_property
    def rest(self) -> Window | None:
        """The stretch at rest before the climb, None if it is too short to say."""
        if self.onset_block is None:
            return None
        # The last block may hold the beginning of the climb.
        end_s = float(self.blocks.time_s[self.onset_block]) - self.blocks.step_s
        window = Window(float(self.trace.time_s[0]), end_s)
        return window if window.length_s >= SHORTEST_REST_S else None

    def samples_in(self, window: Window) -> slice:
        """Return the samples of a window."""
        first = np.searchsorted(self.trace.time_s, window.from_s, "left")
        return slice(int(first), int(np.searchsorted(self.trace.time_s, window.to_s, "right")))

    def first_rise_to(self, level_bar: float, after_block: int = 0) -> int | None:
        """Return the block by which pressure has risen to a level, None if it never does."""
        reached = self.blocks.rail_bar[after_block:] >= level_bar
        if not reached.any():
            return None
        return after_block + int(np.argmax(reached))


def _run_about(inside: NDArray[np.bool_], index: int) -> tuple[int, int]:
    """Return first and last index of the run about ``index``; a single one outside is no end."""
    breaks = np.flatnonzero(~inside[:-1] & ~inside[1:])
    before, after = breaks[breaks < index], breaks[breaks >= index]
    first = int(before[-1]) + 2 if len(before) else 0
    last = int(after[0]) - 1 if len(after) else len(inside) - 1
    return min(first, index), max(last, index)


def means_over(values: Floats, size: int) -> Floats:
    """Return the means of every ``size`` values; the rest at the end is left out."""
    n = len(values) // size * size
    return values[:n].reshape(-1, size).mean(axis=1)
