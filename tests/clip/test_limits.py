"""What a file may ask for: each bound refuses in a sentence; some can be raised."""

import os
from fractions import Fraction

import pytest

from clipmark.clip import limits, open_clip
from clipmark.clip.limits import Bound
from clipmark.errors import FootageError


def refusal_of(path):
    with pytest.raises(FootageError) as refusal:
        open_clip(path)
    return str(refusal.value)


@pytest.fixture
def clip(make, tmp_path):
    return make(tmp_path / "run.mp4", count=5)


def test_a_file_of_a_terabyte_is_refused_before_it_is_read(tmp_path):
    path = tmp_path / "run.mp4"
    path.touch()
    os.truncate(path, 10**12)
    assert refusal_of(path) == (
        "run.mp4 is 1,000 GB large, above the limit of 64 GB; cut the attempt out of it, or, if it "
        "really is so, set CLIPMARK_MAX_FILE_GB higher"
    )


def test_more_frames_than_two_hours_of_slow_motion(clip, monkeypatch):
    monkeypatch.setenv("CLIPMARK_MAX_FRAMES", "4")
    assert refusal_of(clip) == (
        "run.mp4 states more than 4 pictures; cut the attempt out of it, or, if it really is so, "
        "set CLIPMARK_MAX_FRAMES higher"
    )


def test_more_hours_than_a_day_and_the_bound_raised(make, tmp_path, monkeypatch):
    """Time-lapse: a picture every ten hours."""
    path = make(
        tmp_path / "run.mkv", count=4, ticks=[0, 36_000, 72_000, 108_000], time_base=Fraction(1)
    )
    assert refusal_of(path) == (
        "run.mkv states frame times from 0.0 s to 30.0 h, longer than the limit of 24 h; copy it "
        "from the camera again, or, if it really is so, set CLIPMARK_MAX_HOURS higher"
    )
    monkeypatch.setenv("CLIPMARK_MAX_HOURS", "48")
    with open_clip(path) as clip:
        assert clip.times_s[-1] == 108_000


def test_more_frames_a_second_than_any_camera(make, tmp_path):
    ticks = list(range(5))
    path = make(tmp_path / "run.mp4", count=5, ticks=ticks, time_base=Fraction(1, 10_000_000))
    assert refusal_of(path) == (
        "run.mp4 states 10,000,000 frames per second, above the limit of 1,000,000; copy it from "
        "the camera again, or, if it really is so, set CLIPMARK_MAX_FPS higher"
    )


def test_pixels_nine_times_as_wide_as_high(make, tmp_path):
    path = make(tmp_path / "run.mp4", count=3, aspect=Fraction(9, 1))
    assert refusal_of(path) == (
        "run.mp4 states pixels 9:1 wide, beyond the limit of 4:1, and angles would be wrong; "
        "export it with square pixels"
    )


def test_pictures_above_the_limit_and_the_limit_raised(clip, monkeypatch):
    monkeypatch.setenv("CLIPMARK_MAX_MPX", "0.05")
    assert "above the limit of 0.05 Mpx" in refusal_of(clip)
    monkeypatch.setenv("CLIPMARK_MAX_MPX", "0.06")
    with open_clip(clip) as opened:
        assert (opened.width, opened.height) == (320, 180)


def test_more_streams_than_an_action_camera_writes():
    with pytest.raises(FootageError) as refusal:
        limits.check_streams("run.mp4", 65)
    assert str(refusal.value) == (
        "run.mp4 states 65 streams of pictures, sound and data, above the limit of 64; export the "
        "one video into a file of its own"
    )


def test_tables_that_name_the_same_data_again_and_again():
    limits.check_bytes("run.mp4", 4_000_000, 1_000_000)
    with pytest.raises(FootageError) as refusal:
        limits.check_bytes("run.mp4", 4_100_000, 1_000_000)
    assert str(refusal.value) == (
        "run.mp4 states more than 4 times as many bytes of pictures as it has: its tables name the "
        "same data again and again; copy it from the camera again, or convert a copy to H.264"
    )


def test_a_large_file_that_is_nearly_empty(make, tmp_path):
    """A copy that broke off on a disk that gave it its room beforehand."""
    path = make(tmp_path / "run.mp4", count=5)
    os.truncate(path, 300_000_000)
    assert refusal_of(path) == (
        "run.mp4 is 0.3 GB large but holds 0.0 MB of pictures; the rest was never written: copy it "
        "from the camera again, or cut the attempt out of it"
    )


@pytest.mark.parametrize("text", ["much", "0", "-3", "nan", "inf"])
def test_a_bound_that_is_no_number_is_refused_not_ignored(text, monkeypatch):
    monkeypatch.setenv("CLIPMARK_MAX_HOURS", text)
    with pytest.raises(FootageError) as refusal:
        _ = Bound("CLIPMARK_MAX_HOURS", 24).value
    assert str(refusal.value) == (
        f"CLIPMARK_MAX_HOURS is set to '{text}', which is no number above 0; set it to a number "
        "such as 24, or leave it out"
    )


def test_memory_for_decoding_grows_with_the_picture():
    """An 8K picture may take more than ten times what a thumbnail may; neither is without bound."""
    small, large = limits.decoding_bytes(320, 180), limits.decoding_bytes(7680, 4320)
    assert 1 << 30 < small < 2 << 30
    assert 7 << 30 < large < 9 << 30
