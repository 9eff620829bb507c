"""The tables of docs/filming.md are what the formulas and the functions behind --expect give."""

import math
import re
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from clipmark.measure.crawl_expect import at_speed, slip_above
from clipmark.measure.crawl_ruler import plane_ruler

PAGE = (Path(__file__).parents[2] / "docs" / "filming.md").read_text(encoding="utf-8")
ROUND_MM = 54 * math.pi
PLACE_PX, TURN_DEG = 0.05, 0.05


def rows(title: str) -> list[list[str]]:
    """Cells of the table under the header line that begins with a title."""
    table = PAGE[PAGE.index(f"| {title}") :].split("\n\n")[0]
    return [
        [cell.strip() for cell in line.strip("|").split("|")] for line in table.splitlines()[2:]
    ]


@pytest.mark.parametrize("row", rows("scale, px/mm"), ids=lambda row: row[0])
def test_ripple_and_slip_by_scale(row):
    """Given to two digits."""
    scale, slow, fast, slip = map(float, row)
    stamps = np.arange(0, 6 + 1e-9, 1 / 60)
    marks = SimpleNamespace(ruler=plane_ruler(lambda px: px), window_s=None, band_hz=(0.5, 5.0))
    for speed, told in ((10.0, slow), (20.0, fast)):
        found = at_speed(speed, stamps, PLACE_PX / scale, marks)
        assert found.ripple_floor == pytest.approx(told, rel=0.02)
        assert found.stalls_told
    surface = math.radians(TURN_DEG) * 27
    assert slip_above(surface, PLACE_PX / scale, 1 / 60) == pytest.approx(slip, abs=0.05)


@pytest.mark.parametrize("row", rows("source")[1:], ids=lambda row: row[0])
def test_events_of_a_turn_and_the_frame_rate_they_need(row):
    _, events, hz, needed, most = row
    each_mm = ROUND_MM / float(events)
    assert 20 / each_mm == pytest.approx(float(hz), rel=0.02)
    assert math.ceil(20 / each_mm / 0.45) == int(needed)
    assert 0.45 * 60 * each_mm == pytest.approx(float(most.removesuffix(" mm/s")), rel=0.03)


def test_motors_cog_at_the_least_common_multiple_of_slots_and_poles():
    motors = re.findall(r"motor of (\d+) slots, (\d+) poles \| (\d+)", PAGE)
    assert len(motors) == 3
    for slots, poles, events in motors:
        assert int(events) == 40 * math.lcm(int(slots), int(poles))
