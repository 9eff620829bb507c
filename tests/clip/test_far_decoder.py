"""A guarded clip: the same pictures, times and findings, and a decoder that may die."""

import os
import signal

import numpy as np
import pytest

from clipmark.clip import check, far_decoder, open_clip
from clipmark.clip.opening import guard_clips, guards_clips
from clipmark.errors import DecoderError, FootageError, FrameError

pytestmark = pytest.mark.skipif(os.name != "posix", reason="clips are guarded on POSIX only")


def facts_of(path, guarded):
    """All that can be asked of a clip."""
    seen = {}
    with open_clip(path, guarded=guarded) as clip:
        health = check(clip, observe=lambda n, p: seen.update({n: p.fingerprint()}))
        passed = [(f.ordinal, f.time, f.fingerprint, f.luma.tobytes()) for f in clip.frames()]
        jumps = [
            (clip.frame(k).fingerprint, clip.frame(k).bgr().tobytes()) for k in (40, 3, 41, 59)
        ]
        return (
            (clip.sha256, clip.width, clip.height, clip.upright_transform, clip.times),
            (clip.findings, clip.damaged, clip.missing, health.findings, health.damaged),
            (health.brightness.tobytes(), health.sharpness.tobytes()),
            (seen, passed, jumps),
        )


@pytest.mark.parametrize(
    "kind",
    [
        "HEVC 10-bit",
        "MJPEG in AVI",
        "turned 90",
    ],
)
def test_a_guarded_clip_is_the_clip_bit_for_bit(kind, footage):
    assert facts_of(footage(kind), True) == facts_of(footage(kind), False)


def test_damage_is_found_under_guard_as_it_is_here(footage, tmp_path):
    data = bytearray(footage("short groups").read_bytes())
    data[len(data) // 2 : len(data) // 2 + 400] = bytes(400)
    path = tmp_path / "run.mp4"
    path.write_bytes(data)
    found = {}
    for guarded in (True, False):
        with open_clip(path, guarded=guarded) as clip:
            check(clip)
            found[guarded] = (clip.damaged, clip.missing, clip.warnings)
    assert found[True] == found[False]
    assert found[True][0] or found[True][1]


def kill_decoders(clip):
    """What a broken picture may do: the process that decodes is gone in the middle of its work."""
    decoder = clip._decoder
    decoder._far.process._process.send_signal(signal.SIGSEGV)
    decoder._far.process._process.wait(10)


def test_a_decoder_that_dies_costs_one_frame_and_the_next_is_read(footage):
    with open_clip(footage("short groups"), guarded=True, ring_bytes=1) as clip:
        clip.frame(10)
        kill_decoders(clip)
        with pytest.raises(DecoderError) as refusal:
            clip.frame(11)
        assert "crashed the process that was reading it (SIGSEGV" in str(refusal.value)
        assert clip.frame(12).ordinal == 12
        with pytest.raises(FrameError):  # never tried again: it would die of the same data
            clip.frame(11)


def test_a_pass_over_a_dying_decoder_ends_in_a_sentence(footage):
    with open_clip(footage("short groups"), guarded=True) as clip:
        frames = clip.frames()
        next(frames)
        frames._decoder._far.process.kill()
        with pytest.raises(DecoderError):
            list(frames)
        assert len(list(clip.frames())) == 60


def test_what_an_observer_raises_ends_a_far_check_and_reaches_the_caller(footage):
    class EnoughError(Exception):
        pass

    def observe(ordinal, picture):
        if ordinal == 5:
            raise EnoughError

    with open_clip(footage("short groups"), guarded=True) as clip:
        with pytest.raises(EnoughError):
            check(clip, observe=observe)
        assert len(check(clip).brightness) == 60


def test_a_process_serves_one_clip_after_the_other(footage):
    with open_clip(footage("short groups"), guarded=True) as clip:
        list(clip.frames())
    idle = len(far_decoder._spare._idle)
    assert 1 <= idle <= far_decoder._MOST_SPARE
    before = {far.process._process.pid for far in far_decoder._spare._idle}
    with open_clip(footage("open group"), guarded=True) as clip:
        list(clip.frames())
    assert {far.process._process.pid for far in far_decoder._spare._idle} == before


def test_refusals_of_the_file_are_the_same_under_guard(footage, tmp_path):
    path = tmp_path / "run.mp4"
    path.write_text("no clip at all\n" * 40)
    said = set()
    for guarded in (True, False):
        with pytest.raises(FootageError) as refusal:
            open_clip(path, guarded=guarded)
        said.add((type(refusal.value), str(refusal.value)))
    assert len(said) == 1


def test_a_file_that_changes_under_a_guarded_clip_is_refused(make, tmp_path):
    path = make(tmp_path / "run.mp4", count=5)
    with open_clip(path, guarded=True) as clip:
        path.write_bytes(path.read_bytes() + b"more")
        with pytest.raises(FootageError) as changed:
            next(clip.frames())
    assert str(changed.value) == "run.mp4 has changed since it was opened; open it again"


def test_the_whole_process_can_be_told_to_guard_its_clips(monkeypatch):
    assert not guards_clips(None)
    monkeypatch.setenv("CLIPMARK_GUARD", "1")
    assert guards_clips(None)
    assert not guards_clips(False)
    monkeypatch.setattr("clipmark.clip.opening._guarded", None)
    guard_clips(False)
    assert not guards_clips(None)


def test_pictures_given_out_are_not_changed_by_those_decoded_after(footage):
    """The places in the shared memory are used again; what was taken out must be a copy."""
    with open_clip(footage("short groups"), guarded=True) as clip:
        kept = list(clip.frames())
        again = [clip.frame(frame.ordinal).luma for frame in kept]
    assert all(np.array_equal(a.luma, b) for a, b in zip(kept, again, strict=True))
