"""Whether the camera of a clip stood is told from the clip, since references marked once need it.

Known truth: a wall of photographs, moved by a known course, with a truck that drives through, and
noise of its own in every frame, coded by x264.
"""

import math
from collections.abc import Callable
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from clipmark.clip import open_clip
from clipmark.measure.stabiliser import Steadiness, steadiness
from tests.measure.stand_scenes import photo

WIDTH, HEIGHT, FPS, FRAMES = 640, 360, 30, 60
BUMP = 37  # first frame after the bump
FINE = 4
NOWHERE = np.zeros(2)
Course = Callable[[int], tuple[np.ndarray, float, float]]  # shift px, turn deg, bend px


@pytest.fixture(scope="module")
def background() -> np.ndarray:
    """Four photographs, 1000 x 480 px, four times as fine, so that a fraction of a px is exact."""
    parts = [photo(name)[100:340, :500] for name in ("coffee", "gravel", "astronaut", "brick")]
    whole = np.block([parts[:2], parts[2:]]).astype(np.float32)
    return cv2.resize(whole, None, fx=FINE, fy=FINE, interpolation=cv2.INTER_CUBIC)


def filmed(path: Path, background: np.ndarray, course: Course, seed: int = 1) -> Path:
    """A clip of the background under a course; the truck drives across in front."""
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT))
    dx, dy = x - WIDTH / 2, y - HEIGHT / 2
    seen: dict[tuple[float, ...], np.ndarray] = {}
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=FPS)
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        stream.options = {"crf": "20", "preset": "veryfast", "g": "30", "threads": "1"}
        for number in range(FRAMES):
            shift, turn_deg, bend_px = course(number)
            t = math.radians(turn_deg)
            from_x = dx * math.cos(t) - dy * math.sin(t) - shift[0] + bend_px * np.sin(y / 40)
            from_y = dx * math.sin(t) + dy * math.cos(t) - shift[1] + bend_px * np.cos(x / 50)
            name = (*shift, turn_deg, bend_px)
            if name not in seen:
                at_x, at_y = (FINE * (v + c) + 1.5 for v, c in ((from_x, 500), (from_y, 240)))
                places = at_x.astype(np.float32), at_y.astype(np.float32)
                seen[name] = cv2.remap(background, *places, cv2.INTER_CUBIC)
            picture = seen[name].copy()
            picture[220:290, 100 + 3 * number : 220 + 3 * number] = background[:280:4, :480:4] * 0.6
            noisy = picture + rng.normal(0, 2.0, picture.shape) + 0.5
            grey = np.full((HEIGHT // 2, WIDTH), 128, np.uint8)
            planes = np.concatenate([np.clip(noisy, 0, 255).astype(np.uint8), grey])
            container.mux(stream.encode(av.VideoFrame.from_ndarray(planes, format="yuv420p")))
        container.mux(stream.encode())
    return path


def told(path: Path) -> Steadiness:
    with open_clip(path) as clip:
        return steadiness(clip)


def test_a_camera_on_a_tripod_stood_still_although_a_truck_drove_through(tmp_path, background):
    found = told(filmed(tmp_path / "a.mp4", background, lambda k: (NOWHERE, 0.0, 0.0)))
    assert found.state == "still", found.sentence
    assert found.references_hold is True
    assert found.rms_shift_px < 0.05
    assert found.detectable_px < 0.3
    assert found.sentence == (
        f"The camera stood still: fixed things lie within {found.rms_shift_px:.2f} px rms in 24 "
        f"frames; a move of more than {found.detectable_px:.2f} px would have been seen."
    )


def test_a_bump_of_less_than_a_pixel_is_found_with_its_time(tmp_path, background):
    def course(k):
        return (np.array([0.6, -0.3]) if k >= BUMP else NOWHERE, 0.0, 0.0)

    found = told(filmed(tmp_path / "a.mp4", background, course))
    assert found.state == "bumped", found.sentence
    assert found.moves == pytest.approx((BUMP / FPS,), abs=1.01 / FPS)
    # 0.67 px; coding foretells the old place, and takes a little of so small a move away
    step_px = float(found.sentence.split("moved by ")[1].split(" px")[0])
    assert step_px == pytest.approx(math.hypot(0.6, 0.3), rel=0.15)
    assert found.references_hold is False


@pytest.mark.slow
def test_a_hand_is_known_by_its_tremor(tmp_path, background):
    """3 px at 1.5 Hz, 0.3 px at 8 Hz: a careful hand (common practice, no source)."""

    def course(k):
        t = k / FPS
        slow, fast = math.tau * 1.5 * t, math.tau * 8 * t
        shift = np.array([3 * math.sin(slow) + 0.3 * math.sin(fast), 2 * math.cos(slow + 1)])
        return shift, 0.1 * math.sin(slow), 0.0

    found = told(filmed(tmp_path / "a.mp4", background, course))
    assert found.state == "hand-held", found.sentence
    assert found.rms_shift_px == pytest.approx(math.sqrt((9 + 0.09 + 4) / 2), rel=0.2)
    assert found.sentence.startswith("The camera was held by hand: the picture shakes by ")
    assert found.sentence.endswith(
        "references marked once do not hold for this clip: mark them in the very frame that is "
        "measured."
    )


def test_what_a_stabiliser_leaves_on_a_tripod_is_a_slow_wander_with_a_bend(tmp_path, background):
    def course(k):
        slow = math.tau * 0.4 * k / FPS
        return np.array([0.5 * math.sin(slow), 0.4 * math.cos(slow)]), 0.0, 0.35 * math.sin(slow)

    found = told(filmed(tmp_path / "a.mp4", background, course))
    assert found.state == "stabilised", found.sentence
    assert "beyond any turn of a camera, smoothly, as an electronic stabiliser" in found.sentence
    assert 0.1 < found.warp_px < 0.4  # 0.35 sin twice over, less what shift and turn take of it
    assert found.references_hold is False


@pytest.mark.slow
def test_of_a_clip_without_texture_it_cannot_tell(tmp_path):
    grey = np.full((480 * FINE, 1000 * FINE), 110.0, np.float32)
    found = told(filmed(tmp_path / "a.mp4", grey, lambda k: (NOWHERE, 0.0, 0.0)))
    assert found.state == "cannot tell"
    assert found.references_hold is None
    assert found.sentence.startswith("It cannot be told whether the camera stood still: ")
    assert found.to_dict()["camera_shift_rms_px"] is None
