"""What a crawl refuses, in whole sentences, and what it says of doubtful footage."""

from pathlib import Path

import numpy as np
import pytest

import clipmark
from clipmark.errors import FollowError, MarkError
from clipmark.measure import crawl
from tests.motion import drawn

MEDIA = Path(__file__).parents[2] / "sample_media"
PATCH = (100, 100, 60, 40)
SCALE = {"scale": (100, 50, 300, 50), "scale_mm": 100.0}


@pytest.fixture(scope="module")
def clip():
    with clipmark.open_clip(MEDIA / "siskin-stall.mp4") as opened:
        yield opened


@pytest.mark.parametrize(
    ("how", "sentence"),
    [
        (
            {"patch": (1250, 100, 60, 40)},
            "the patch has a point at (1309, 139), outside the picture of 1280 x 720 px; mark it "
            "inside",
        ),
        (
            {"patch": (100, 100, 6, 40)},
            "the patch is 6 x 40 px, but at least 12 px a side is needed; mark a larger part of "
            "the body",
        ),
        (
            {"patch": (1, 2, 3)},
            "the patch needs four finite numbers x, y, w, h, but got [1.0, 2.0, 3.0]",
        ),
        (
            {"span": (50, 20)},
            "the span 50:20 runs backwards; give the earlier frame first",
        ),
        (
            {"span": (0, 500)},
            "the span 0:500 ends after the clip, whose last frame is 203; give a last frame inside "
            "the clip",
        ),
        (
            {"span": (20, 100)},
            "the reference frame 0 lies outside the span 20:100; mark the patch in a frame of the "
            "span, or widen the span",
        ),
        (
            {"span": (0, 4)},
            "the span 0:4 holds only 5 frames, and at least 8 are needed; give a longer span",
        ),
        (
            {"scale": (100, 50, 130, 50)},
            "the scale mark is 30.0 px long, but at least 40 px is needed for a useful scale; mark "
            "two points further apart",
        ),
        (
            {"scale": (100, 50, 110, 50)},
            "the scale mark is 10.0 px long, but at least 20 px is needed; mark its ends further "
            "apart",
        ),
        (
            {"scale_mm": 0.0},
            "the scale mark is said to be 0 mm long; give a length above 0 mm",
        ),
        (
            {"scale_mm": None},
            "a scale mark needs its length (--scale-mm) as well; give both",
        ),
        (
            {"scale": None, "scale_mm": None},
            "no complete scale was given, so lengths in mm are not defined; give either two points "
            "with their distance (--scale and --scale-mm) or a sheet in the plane of motion",
        ),
        (
            {"travel": (100, 100, 105, 100)},
            "the travel line is 5.0 px long, but at least 20 px is needed; mark its ends further "
            "apart",
        ),
        ({"hold_s": 0.0}, "the hold time is 0 s; give a time above 0 s"),
        (
            {"band_hz": (5.0, 0.5)},
            "the band 5:0.5 Hz cannot be used; give a low end above 0 and a higher high end, such "
            "as 0.5:5",
        ),
        (
            {"window_s": 9.0},
            "the window of the speed filter is 9 s; give one above 0 and up to 5 s",
        ),
        (
            {"to_plane": lambda points: points},
            "both a scale mark and a map to the plane were given; give the one that is to define "
            "lengths",
        ),
    ],
    ids=lambda value: next(iter(value)) if isinstance(value, dict) else "",
)
def test_marks_that_cannot_mean_what_they_say_are_refused_in_a_sentence(clip, how, sentence):
    with pytest.raises(MarkError) as caught:
        clipmark.measure_crawl(clip, 0, **{"patch": PATCH, **SCALE, **how})
    assert str(caught.value) == sentence


def test_a_file_without_frame_times_is_refused(clip, monkeypatch):
    """Bare streams carry none; here the clip is made to say so."""
    monkeypatch.setattr(type(clip), "has_times", property(lambda self: False))
    with pytest.raises(FollowError) as caught:
        clipmark.measure_crawl(clip, 0, patch=PATCH, **SCALE)
    assert str(caught.value) == (
        "this file carries no frame times, so motion cannot be timed; use the file as the camera "
        "recorded it"
    )


@pytest.fixture(scope="module")
def drawn_clip(tmp_path_factory):
    """Drawn clips by name; a body that moves by 1.2 px a frame."""
    folder = tmp_path_factory.mktemp("crawl")

    def place(k):
        return 60.0 + 1.2 * k, 150.0

    def make(name, count=100, order=None, times=None, **how):
        path = folder / f"{name}.mp4"
        if not path.exists():
            rng = np.random.default_rng(3)
            pictures = [drawn.picture(place(k), rng=rng, **how) for k in range(count)]
            if order is not None:
                pictures = [pictures[k] for k in order]
            drawn.write(path, pictures, [k / 60 for k in range(len(pictures))])
        return path

    return make


def read(path, **how):
    with clipmark.open_clip(path) as opened:
        return clipmark.measure_crawl(
            opened, 0, patch=(68, 158, 80, 48), scale=(40, 20, 240, 20), scale_mm=100.0, **how
        )


@pytest.mark.slow
def test_interlaced_footage_gives_no_smoothness_and_says_why(drawn_clip, monkeypatch):
    path = drawn_clip("plain")
    with clipmark.open_clip(path) as opened:
        opened.interlaced = True
        reading = clipmark.measure_crawl(
            opened, 0, patch=(68, 158, 80, 48), scale=(40, 20, 240, 20), scale_mm=100.0
        )
    assert reading.ripple is None
    assert reading.stalls is None
    assert reading.slowest_speed_mm_s is None
    assert (
        "Interlaced: two moments in one picture; slowest speed, stalls, ripple and phases need "
        "progressive video and are not given." in reading.warnings
    )


@pytest.mark.slow
def test_a_background_without_texture_is_named_and_travel_is_of_the_picture(drawn_clip):
    reading = read(drawn_clip("bare", flat_ground=True, sigma=0.6))
    assert reading.camera == "unknown"
    assert reading.to_dict()["shake_px"] is None
    assert (
        "The still background shows too little texture to tell the camera's motion; travel is "
        "relative to the picture. Put a patterned thing in view that does not move."
        in reading.warnings
    )
    assert reading.mean_speed_mm_s == pytest.approx(1.2 * 60 / 2, rel=0.005)


@pytest.mark.parametrize("next_one", [41, 42])
def test_a_repeated_picture_is_named_and_not_used(drawn_clip, next_one):
    """The camera stored picture 40 twice, pushing the others back or in place of picture 41: the
    second one has no travel, and no speed spans it."""
    order = [*range(41), 40, *range(next_one, 99)]
    reading = read(drawn_clip(f"repeated{next_one}", order=order))
    table = reading.table
    assert table.gap[41] == "repeated picture"
    assert np.isnan(table.s_mm[41])
    assert np.isfinite(table.s_mm[40])
    assert any("1 frame (repeated picture), first in frame 41" in line for line in reading.warnings)


def test_a_span_too_short_for_the_band_gives_no_ripple_and_says_what_would(drawn_clip):
    reading = read(drawn_clip("plain"))
    assert reading.ripple is None
    assert any(
        line.startswith("The longest stretch without a gap is 1.65 s, too short for the band's low")
        for line in reading.warnings
    )


def test_constant_motion_is_said_to_be_below_the_noise_floor(drawn_clip):
    reading = read(drawn_clip("plain"), band_hz=(1.0, 5.0))
    assert reading.to_dict()["ripple_below_noise_floor"] is True
    assert reading.ripple <= reading.ripple_floor
    assert any(line.startswith("The ripple is below the noise floor:") for line in reading.warnings)


def test_a_body_never_found_again_is_refused_with_its_reason(drawn_clip, monkeypatch):
    """Too few frames to measure: how many, and why."""
    original = crawl.follow

    def lost(*args):
        following = original(*args)
        following.reasons[5:] = ["hidden"] * (len(following.reasons) - 5)
        return following

    monkeypatch.setattr(crawl, "follow", lost)
    with pytest.raises(FollowError) as caught:
        read(drawn_clip("plain"))
    assert str(caught.value) == (
        "the body was followed in only 5 of 100 frames (mostly: hidden), and at least 8 are "
        "needed; mark another patch, another reference frame, or a shorter span"
    )
