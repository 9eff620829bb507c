"""The camera's own motion on pictures shifted, turned and read row by row as known."""

import numpy as np
import pytest
from scipy.ndimage import map_coordinates
from skimage import data

from clipmark.measure.footage_row_time import rolling_shutter
from clipmark.motion.shake import ShakeFollower

WIDTH, HEIGHT, RATE = 320, 240, 60.0
PHOTO = data.camera().astype(np.float32)


def seen(move: np.ndarray, roll_deg: float = 0.0, readout: np.ndarray | None = None) -> np.ndarray:
    """The photograph's middle, its content shifted by `move` px and turned about its middle.

    `readout` (HEIGHT, 2) adds a shift of each row.
    """
    y, x = np.mgrid[:HEIGHT, :WIDTH].astype(np.float64)
    shift = np.zeros((HEIGHT, 2)) if readout is None else readout
    x, y = x - move[0] - shift[:, :1], y - move[1] - shift[:, 1:]
    a = np.radians(roll_deg)
    cx, cy = (WIDTH - 1) / 2, (HEIGHT - 1) / 2
    u = cx + (x - cx) * np.cos(a) - (y - cy) * np.sin(a) + 96
    v = cy + (x - cx) * np.sin(a) + (y - cy) * np.cos(a) + 136
    return np.clip(np.rint(map_coordinates(PHOTO, [v, u], order=3)), 0, 255).astype(np.uint8)


def followed(pictures: list[np.ndarray]):
    follower = ShakeFollower(0, 255, len(pictures))
    for ordinal, picture in enumerate(pictures):
        follower.step(ordinal, picture)
    return follower.result()


def test_shift_and_roll_are_those_drawn():
    """Good to some hundredths of a pixel; a turn of the content to the left is positive."""
    rng = np.random.default_rng(1)
    moves = np.concatenate([np.zeros((1, 2)), rng.uniform(-3, 3, (11, 2))])
    rolls = np.concatenate([[0.0], rng.uniform(-0.5, 0.5, 11)])
    found = followed([seen(m, r) for m, r in zip(moves, rolls, strict=True)])
    assert np.abs(found.shift_px - moves).max() < 0.08
    assert np.abs(found.roll_deg - rolls).max() < 0.02
    assert found.anchors == 1


def test_rms_leaves_a_slow_pan_out():
    """A pan of 30 px/s with a sway of 0.5 px (amplitude) at 6 Hz: rms 0.35 px."""
    times = np.arange(40) / RATE
    sway = 0.5 * np.sin(2 * np.pi * 6 * times)
    found = followed([seen(np.array([-6 + 12 * t, s])) for t, s in zip(times, sway, strict=True)])
    across, _ = found.rms(times)
    assert across == pytest.approx(0.5 / np.sqrt(2), rel=0.15)


def test_a_plain_picture_tells_nothing():
    found = followed([np.full((HEIGHT, WIDTH), 90, np.uint8)] * 5)
    assert np.isnan(found.shift_px).all()
    assert np.isnan(found.rms(np.arange(5) / RATE)[0])


class Filmed:
    """What is asked of a clip for its rows' times."""

    has_times, width, height = True, WIDTH, HEIGHT

    class upright_transform:  # noqa: N801
        clockwise_deg = 0

    def __init__(self, times: np.ndarray) -> None:
        self.times_s = times


def hand(times: np.ndarray) -> np.ndarray:
    """A hand's sway, px."""
    return np.stack(
        [
            4 * np.sin(2 * np.pi * 3.1 * times) + 1.5 * np.sin(2 * np.pi * 7.3 * times + 1),
            3 * np.sin(2 * np.pi * 2.3 * times + 2) + np.sin(2 * np.pi * 6.1 * times),
        ],
        axis=-1,
    )


@pytest.mark.parametrize("readout_s", [0.012])
def test_rows_that_are_read_one_after_another_are_found(readout_s):
    """Within three standard uncertainties, and these below a quarter of the whole."""
    times = np.arange(30) / RATE
    rows = readout_s * (np.arange(HEIGHT) / (HEIGHT - 1) - 0.5)
    pictures = [seen(np.zeros(2), readout=hand(t + rows)) for t in times]
    value, u = rolling_shutter(Filmed(times), followed(pictures))
    assert value == pytest.approx(readout_s, abs=3 * u)
    assert u < readout_s / 4


def test_a_still_camera_shows_no_rows():
    times = np.arange(20) / RATE
    found = rolling_shutter(Filmed(times), followed([seen(np.zeros(2))] * 20))
    assert found == (
        "Rolling shutter cannot be seen here: nothing moves, since the camera stood still."
    )


def test_a_global_shutter_is_not_taken_for_a_rolling_one():
    times = np.arange(30) / RATE
    found = rolling_shutter(Filmed(times), followed([seen(hand(t)) for t in times]))
    assert isinstance(found, str)
    assert found.startswith("Rolling shutter does not stand out")
