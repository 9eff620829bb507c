"""What comes between the truck and a clean picture: covers, mains light, repeated pictures."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage

from clipmark.errors import FootageError
from clipmark.sample import (
    Board,
    Camera,
    Cover,
    Encoding,
    Look,
    Motion,
    Renderer,
    Scene,
    Timing,
    Tremor,
    Truck,
    render_clip,
    scene_truth,
)

CAMERA = Camera(width=640, height=360, view_deg=24.0)
LINEAR = Look(tone="linear", grain_levels=0.0)
CLEAN = Scene(camera=CAMERA, board=Board(ramp_deg=0.0), look=LINEAR, timing=Timing(frames=8))
SMALL = replace(CLEAN, camera=Camera(width=320, height=180, view_deg=24.0))
# the truck's hubs are at q = 300 -+ 66.5, the rear one's wheel reaches from w = 0 to 54
STONES = Cover(middle_mm=(233.0, 4.0), size_mm=(70.0, 28.0), place="board", z_mm=3.0)


def hidden_px(scene, frame=0):
    """Whether each px centre is inside the first cover's outline, by counting crossings."""
    polygon = np.reshape(scene_truth(scene, frame)["covers"][0]["outline_px"], (-1, 2))
    ys, xs = np.mgrid[: CAMERA.height, : CAMERA.width]
    result = np.zeros(xs.shape, bool)
    for (x0, y0), (x1, y1) in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        if y0 != y1:
            crosses = (y0 > ys) != (y1 > ys)
            result ^= crosses & (xs < x0 + (ys - y0) * (x1 - x0) / (y1 - y0))
    return result


@pytest.mark.parametrize(
    "more",
    [{}, {"camera": replace(CAMERA, yaw_deg=6.0, tremor=Tremor(rms_deg=0.05))}],
    ids=["still", "hand-held, turned"],
)
def test_a_cover_changes_the_picture_inside_its_outline_and_nowhere_else(more, luma_of):
    scene = replace(CLEAN, **more)
    covered = replace(scene, covers=(STONES,))
    hidden = hidden_px(covered, 3)
    change = np.abs(luma_of(covered, 3) - luma_of(scene, 3))
    # blur of 0.8 px carries light 4 px far
    assert change[~ndimage.binary_dilation(hidden, iterations=5)].max() < 0.05
    assert (change[hidden] > 1.0).mean() > 0.9


def test_what_is_hidden_no_longer_depends_on_what_is_behind(luma_of):
    covered = replace(CLEAN, covers=(replace(STONES, size_mm=(120.0, 70.0)),))
    other = replace(covered, truck=replace(Truck(), rim_style="blank", paint=(0.05, 0.3, 0.1)))
    deep = ndimage.binary_erosion(hidden_px(covered), iterations=6)
    assert deep.sum() > 300
    difference = np.abs(luma_of(covered) - luma_of(other))
    assert difference[deep].max() < 0.01
    assert difference.max() > 20


def test_stones_hide_the_share_of_the_wheel_that_they_cover():
    told = scene_truth(replace(CLEAN, covers=(STONES,)))["frames"]
    rear, front = told["wheel_hidden"][0]
    assert 0.1 < rear < 0.35, "about the lower third of its height"
    assert front == 0.0
    assert told["rim_hidden"][0][0] < rear
    assert not any(told["patch_hidden"])


def test_a_round_cover_in_the_plane_hides_the_area_of_a_lens_of_two_discs():
    # two discs of equal radius r, one radius apart: (2 pi / 3 - sqrt(3) / 2) r^2 in common
    scene = replace(CLEAN, motion=Motion())
    x, y, _ = scene.hubs_mm(0.0)[0]
    cover = Cover(middle_mm=(x + 27.0, y), size_mm=(54.0, 54.0), z_mm=1e-6, wobble=0.0)
    share = scene_truth(replace(scene, covers=(cover,)))["frames"]["wheel_hidden"][0][0]
    assert share == pytest.approx(2 / 3 - np.sqrt(3) / 2 / np.pi, abs=0.003)


@pytest.mark.slow
def test_a_hand_passes_before_the_patch_when_it_says():
    truck_x, truck_y, _ = CLEAN.body_point_mm(0.0, -2.0, 41.0)
    hand = Cover(
        middle_mm=(truck_x - 200.0, truck_y), size_mm=(80.0, 120.0), velocity_mm_s=(200.0, 0.0)
    )
    scene = replace(CLEAN, covers=(hand,), timing=Timing(frames=121))
    hidden = np.flatnonzero(scene_truth(scene)["frames"]["patch_hidden"])
    # an outline that bulges nowhere beyond half its width of 40 mm, seen 8 mm nearer
    assert 60 - 12.5 <= hidden[0] < 60 < hidden[-1] <= 60 + 12.5
    hands, clean = Renderer(scene), Renderer(replace(scene, covers=()))
    left, top, w, h = (int(v) for v in scene_truth(scene)["patch"])
    patch = (slice(top, top + h), slice(left, left + w))
    change = [np.abs(hands.codes(k)[0] - clean.codes(k)[0])[patch] for k in (0, 60)]
    assert change[0].max() < 0.05
    assert change[1].mean() > 5


def test_mains_light_multiplies_each_frame_by_its_wave(luma_of):
    scene = replace(SMALL, look=replace(LINEAR, flicker=(0.2, 7.0), exposure=0.5))
    renderer = Renderer(scene)
    steady = luma_of(replace(scene, look=replace(LINEAR, exposure=0.5))) - 16
    for k in (0, 2, 5):
        light = renderer.codes(k)[0] - 16
        expected = 1 + 0.2 * np.sin(2 * np.pi * 7.0 * k / 60)
        bright = steady > 20
        # rel: the truck's shadow ends faintly at the edge of what is redrawn for it
        assert (light[bright] / steady[bright]) == pytest.approx(expected, rel=1e-3)


def test_mains_light_runs_down_the_rows_of_a_rolling_shutter(luma_of):
    look = replace(LINEAR, exposure=0.5, blur_px=0.0)
    camera = replace(SMALL.camera, readout_s=0.016)
    clean = replace(SMALL, camera=camera, look=look, truck=None)
    scene = replace(clean, look=replace(look, flicker=(0.15, 100.0)))
    ratio = (luma_of(scene, 2) - 16).mean(axis=1) / (luma_of(clean, 2) - 16).mean(axis=1)
    times = 2 / 60 + camera.row_time_s(np.arange(180))
    assert ratio == pytest.approx(1 + 0.15 * np.sin(2 * np.pi * 100.0 * times), rel=1e-3)
    assert np.ptp(ratio) > 0.29, "one and a half periods fit into the read-out"


def test_light_that_grows_does_so_by_its_share_every_second(luma_of):
    look = replace(LINEAR, exposure=0.5)
    scene = replace(SMALL, look=replace(look, brighten=0.3), timing=Timing(frames=61))
    light, steady = luma_of(scene, 60) - 16, luma_of(replace(scene, look=look), 60) - 16
    bright = steady > 20
    assert (light[bright] / steady[bright]) == pytest.approx(1.3, rel=1e-3)


def test_a_repeat_shows_the_picture_before_it_grain_and_all_while_time_runs_on(tmp_path):
    timing = Timing(frames=6, repeats=(2, 3, 5))
    scene = replace(SMALL, motion=Motion(speed_mm_s=40.0), look=Look(), timing=timing)
    renderer = Renderer(scene)
    pictures = [renderer.frame(k)[0] for k in range(6)]
    for k, shown in enumerate((0, 1, 1, 1, 4, 4)):
        assert np.array_equal(pictures[k], pictures[shown])
    assert not np.array_equal(pictures[3], pictures[4])
    small = replace(scene, encoding=Encoding(preset="ultrafast"))
    truth = render_clip(small, tmp_path / "a.mp4")["frames"]
    assert np.diff(truth["times_s"]) == pytest.approx(1 / 60, abs=1e-6)
    assert np.multiply(truth["taken_s"], 60) == pytest.approx([0, 1, 1, 1, 4, 4], abs=1e-6)
    assert truth["s_mm"] == pytest.approx(np.multiply(truth["times_s"], 40.0))
    assert truth["hubs_px"][3] == truth["hubs_px"][1]


def test_impossible_disturbances_are_refused_in_sentences():
    for scene, sentence in (
        (
            replace(CLEAN, timing=Timing(frames=4, repeats=(0,))),
            "frame 0 of the scene cannot repeat the one before; name ordinals from 1 to 3",
        ),
        (
            replace(CLEAN, covers=(replace(STONES, place="truck"),)),
            "the place of a cover 'truck' is not known; use world or board",
        ),
    ):
        with pytest.raises(FootageError) as refusal:
            scene.settled()
        assert str(refusal.value) == sentence
