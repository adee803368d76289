"""The small line: inside its frame, left to right, and in words."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from api.pages.trend_line import HEIGHT_PX, WIDTH_PX, trend_line

START = datetime(2025, 1, 1, tzinfo=UTC)


def test_time_runs_to_the_right_and_a_lower_ratio_is_drawn_lower() -> None:
    line = trend_line([(START + timedelta(days=10 * n), 1.0 - 0.1 * n) for n in range(4)])
    assert line is not None
    points = [tuple(map(float, point.split(","))) for point in line.points.split()]
    assert [x for x, _ in points] == sorted(x for x, _ in points)
    assert [y for _, y in points] == sorted(y for _, y in points)
    assert points[-1] == (line.last_x, line.last_y)
    assert line.words == "4 proof ratios, from 1.00 on 2025-01-01 to 0.70 on 2025-01-31"


def test_ratios_off_the_scale_and_tests_at_one_moment_stay_inside() -> None:
    line = trend_line([(START, 0.0), (START, 9.0)])
    assert line is not None
    for point in line.points.split():
        x, y = map(float, point.split(","))
        assert 0 <= x <= WIDTH_PX and 0 <= y <= HEIGHT_PX


def test_one_test_is_a_point_and_none_is_nothing() -> None:
    one = trend_line([(START, 0.91)])
    assert one is not None and one.words == "one proof ratio, 0.91"
    assert trend_line([]) is None
