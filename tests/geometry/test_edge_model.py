"""The drawn edge's own derivatives are those of what it draws."""

from dataclasses import replace

import numpy as np
import pytest

from clipmark.geometry.edge_bed import LineBed
from clipmark.geometry.edge_model import (
    LOG_BLUR,
    LOG_WIDTH,
    RAMP_LEFT,
    RAMP_RIGHT,
    TONE,
    Shape,
    draw,
)

STEP = 1e-6


def scene(width):
    """A bed of 60 x 20 px, a shape with everything in it, levels that reach into the toe."""
    along, across = np.meshgrid(np.arange(-30.0, 30.0), np.arange(-10.0, 10.0))
    rng = np.random.default_rng(4)
    bed = LineBed.of(along.ravel(), across.ravel(), np.zeros(along.size), 30.0, 0.004)
    shape = Shape((0.3, 0.02), 1.1, 0.7, (0.004, -0.003), width)
    levels = rng.uniform(0.02, 0.9, (len(bed.starts), 2 if width is None else 3))
    return bed, shape, levels


def luma_of(bed, shape, levels):
    return draw(shape, levels, bed.distance(shape.place), bed.segment, bed.shift, bed.adjacent).luma


def moved(shape, index, by):
    """The shape with one shared parameter moved."""
    if index < 2:
        place = list(shape.place)
        place[index] += by
        return replace(shape, place=tuple(place))
    if index == 2 + LOG_BLUR:
        return replace(shape, blur=shape.blur * np.exp(by))
    if index == 2 + TONE:
        return replace(shape, tone=shape.tone + by)
    if index == 2 + LOG_WIDTH:
        return replace(shape, width=shape.width * np.exp(by))
    ramps = list(shape.ramps)
    ramps[index - 2 - RAMP_LEFT] += by
    return replace(shape, ramps=tuple(ramps))


@pytest.mark.parametrize("width", [None, 2.4], ids=["step", "string"])
@pytest.mark.parametrize("index", range(7))
def test_by_each_shared_parameter(width, index):
    if width is None and index == 2 + LOG_WIDTH:
        pytest.skip("a step has no width")
    assert (RAMP_LEFT, RAMP_RIGHT) == (2, 3)
    bed, shape, levels = scene(width)
    if index not in (2 + TONE, 2 + RAMP_LEFT, 2 + RAMP_RIGHT):
        shape = replace(shape, ramps=(0.0, 0.0))  # their change with the shares is left out
    picture = draw(shape, levels, bed.distance(shape.place), bed.segment, bed.shift, bed.adjacent)
    shared, _ = picture.derivatives(bed.by_place(shape.place))
    ends = [luma_of(bed, moved(shape, index, way * STEP), levels) for way in (1, -1)]
    np.testing.assert_allclose(shared[index], (ends[0] - ends[1]) / (2 * STEP), atol=1e-4)


@pytest.mark.parametrize("width", [None, 2.4], ids=["step", "string"])
def test_by_the_levels_where_they_do_not_change_along_the_edge(width):
    bed, shape, levels = scene(width)
    levels = np.tile(levels[:1], (len(levels), 1))
    picture = draw(shape, levels, bed.distance(shape.place), bed.segment, bed.shift, bed.adjacent)
    _, by_level = picture.derivatives(bed.by_place(shape.place))
    for column in range(levels.shape[1]):
        step = np.zeros_like(levels)
        step[:, column] = STEP
        ends = [luma_of(bed, shape, levels + way * step) for way in (1, -1)]
        np.testing.assert_allclose(by_level[column], (ends[0] - ends[1]) / (2 * STEP), atol=1e-5)
