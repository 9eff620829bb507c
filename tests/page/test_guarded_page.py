"""On the page a decoder that dies costs one frame or one check of one clip; the rest goes on."""

import os
import signal
import time

import pytest

from clipmark.clip import far_check
from clipmark.clip.far_decoder import FarProcess
from clipmark.clip.opening import guard_clips
from clipmark.errors import DecoderError
from clipmark.page.shelf import Shelf
from tests.page import frames_kit as kit

pytestmark = pytest.mark.skipif(os.name != "posix", reason="clips are guarded on POSIX only")


@pytest.fixture
def shelf(tmp_path, monkeypatch):
    """A shelf of two clips in a process that guards what it opens."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setattr("clipmark.clip.opening._guarded", None)
    guard_clips(True)
    paths = [kit.make_clip(tmp_path / f"run-{n}.mp4", count=30 + n) for n in range(2)]
    made = Shelf(kit.event_with(tmp_path / "event", *paths))
    yield made
    made.close()


def shas_of(shelf):
    return [clip.sha256 for clip in shelf.refresh()]


def crash(process):
    process._process.send_signal(signal.SIGSEGV)
    process._process.wait(10)


def test_a_lane_whose_decoder_dies_says_so_and_every_other_frame_is_shown(shelf):
    first, second = shas_of(shelf)
    with shelf.reader(first) as reader:
        assert kit.counter_of(reader.jpeg(10, 320)) == 10
        for lane in reader.lanes:
            if lane._access._decoder._far is not None:
                crash(lane._access._decoder._far.process)
        reader.ring.clear()
        with pytest.raises(DecoderError) as refusal:
            reader.jpeg(11, 320)
        assert str(refusal.value).startswith("run-0.mp4 crashed the process that was reading it")
        assert kit.counter_of(reader.jpeg(12, 320)) == 12
    with shelf.reader(first) as reader:
        assert kit.counter_of(reader.jpeg(3, 320)) == 3
    with shelf.reader(second) as reader:
        assert kit.counter_of(reader.jpeg(20, 320)) == 20


@pytest.mark.slow
def test_a_check_that_ends_with_its_decoder_is_among_the_warnings(shelf, monkeypatch):
    (first, second), told = shas_of(shelf), []
    tell = FarProcess.tell

    def dying(far, about, *message):
        told.append(message[0])
        if message[0] == "seen" and about == "run-0.mp4" and told.count("seen") == 5:
            crash(far.process)
        tell(far, about, *message)

    monkeypatch.setattr(far_check.FarProcess, "tell", dying)
    for sha in (first, second):
        with shelf.clip(sha) as clip:
            shelf.caches.want(clip)
    until = time.monotonic() + 60
    while time.monotonic() < until and "building" in {
        shelf.caches.state(sha).state for sha in (first, second)
    }:
        time.sleep(0.05)
    assert shelf.caches.state(second).state == "ready"
    assert not shelf.caches.checked(first)
    with shelf.clip(first) as clip:
        (warning,) = clip.warnings
    assert warning.startswith(
        "The check of this clip did not come to its end: run-0.mp4 crashed the process"
    )
