"""Any frame by random access is the frame that straight decoding gives, and so is its time."""

import random
import tempfile
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from clipmark.clip import open_clip
from clipmark.clip.decoder import Decoder

REAL = ("bikes.mp4", "carphone_pristine.mp4", "bigbuckbunny.mp4")


def stored(clip, frame):
    """Back from the upright to the stored picture, by the frame's own record of it."""
    picture = frame.luma
    turn = clip.upright_transform
    if turn.flip_y:
        picture = picture[::-1]
    if turn.flip_x:
        picture = picture[:, ::-1]
    return picture.T if turn.transpose else picture


def test_a_frame_asked_for_in_any_order_is_bit_for_bit_the_straight_one(
    timed_kind, footage, straight
):
    """Every frame of every kind, in shuffled order, twice."""
    truth = straight(timed_kind)
    with open_clip(footage(timed_kind)) as clip:
        assert clip.frame_count == len(truth.luma)
        order = list(range(clip.frame_count)) * 2
        random.Random(timed_kind).shuffle(order)
        for ordinal in order:
            frame = clip.frame(ordinal)
            assert frame.ordinal == ordinal
            assert np.array_equal(stored(clip, frame), truth.luma[ordinal])


def test_the_picture_itself_says_which_frame_it_is(timed_kind, footage, counter):
    """The burnt-in counter rises by one from frame to frame: nothing left out, nothing twice."""
    with open_clip(footage(timed_kind)) as clip:
        order = list(range(clip.frame_count))
        random.Random(3).shuffle(order)
        counts = {k: counter(stored(clip, clip.frame(k))) for k in order}
    first = 15 if "trim" in timed_kind else 0
    assert [counts[k] for k in sorted(counts)] == list(range(first, first + len(counts)))


def test_a_frames_time_is_the_containers(timed_kind, footage, straight):
    """Stamps as decoded straight; seconds are their exact difference from the first."""
    truth = straight(timed_kind)
    with open_clip(footage(timed_kind)) as clip:
        assert clip.has_times
        assert [clip.frame(k).pts for k in range(clip.frame_count)] == truth.pts
        assert clip.frame(0).time_base == truth.time_base
        exact = [(pts - truth.pts[0]) * truth.time_base for pts in truth.pts]
        assert clip.times == exact
        assert clip.times_s.tolist() == [float(time) for time in exact]
        assert clip.frame(5).time == exact[5]


@pytest.mark.parametrize("threads", [1, 2])
def test_a_sequential_pass_gives_the_same_frames(timed_kind, threads, footage, straight):
    truth = straight(timed_kind)
    with open_clip(footage(timed_kind)) as clip:
        read = list(clip.frames(threads=threads))
        assert [frame.ordinal for frame in read] == list(range(clip.frame_count))
        assert [frame.pts for frame in read] == truth.pts
        for frame, luma in zip(read, truth.luma, strict=True):
            assert np.array_equal(stored(clip, frame), luma)


@pytest.mark.parametrize("span", [(0, 0, 1), (23, 41, 1), (39, 40, 1), (7, 59, 6), (59, 59, 1)])
def test_a_pass_over_a_span_gives_just_that_span(span, footage, straight):
    first, last, step = span
    for kind in ("open group", "Matroska, doubled times", "transport stream, late start"):
        truth = straight(kind)
        with open_clip(footage(kind)) as clip:
            read = list(clip.frames(first, last, step))
            assert [frame.ordinal for frame in read] == list(range(first, last + 1, step))
            assert all(np.array_equal(f.luma, truth.luma[f.ordinal]) for f in read)


@pytest.mark.parametrize("name", REAL)
def test_real_footage_reads_the_same_at_random_as_straight(name, real_clip, by_straight):
    """Street scenes, a small-format test sequence, an animated film; 60 frames of each."""
    truth = by_straight(real_clip(name))
    with open_clip(real_clip(name)) as clip:
        assert clip.frame_count == len(truth.luma)
        assert clip.times == [(pts - truth.pts[0]) * truth.time_base for pts in truth.pts]
        for ordinal in random.Random(name).sample(range(clip.frame_count), 60):
            frame = clip.frame(ordinal)
            assert frame.pts == truth.pts[ordinal]
            assert np.array_equal(frame.luma, truth.luma[ordinal])


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    kind=st.sampled_from(["open group", "HEVC open group", "open group in a transport stream"]),
    asked=st.lists(st.integers(0, 59), min_size=1, max_size=12),
    ring=st.sampled_from([1, 300_000, 10_000_000]),
)
def test_no_order_of_asking_and_no_size_of_memory_changes_a_frame(
    kind, asked, ring, footage, straight
):
    """With a ring of one, of a few, and of all pictures."""
    truth = straight(kind)
    with open_clip(footage(kind), ring_bytes=ring) as clip:
        for ordinal in asked:
            assert np.array_equal(clip.frame(ordinal).luma, truth.luma[ordinal])


@settings(max_examples=8, deadline=None)
@given(
    steps=st.lists(st.integers(1, 9000), min_size=4, max_size=40),
    keyint=st.integers(1, 30),
    bframes=st.integers(0, 4),
)
def test_any_spacing_of_times_and_any_groups_are_read_exactly(
    steps, keyint, bframes, make, counter
):
    """Times drawn at random, ticks of 1/90000 s, come back to the tick with the right pictures."""
    ticks = [sum(steps[:k]) for k in range(len(steps))]
    with tempfile.TemporaryDirectory() as folder:
        path = make(
            Path(folder) / "drawn.mp4",
            count=len(ticks),
            ticks=ticks,
            time_base=Fraction(1, 90000),
            params=f"bframes={bframes}:keyint={keyint}:open-gop=1",
        )
        with open_clip(path) as clip:
            assert clip.times == [Fraction(tick - ticks[0], 90000) for tick in ticks]
            for ordinal in reversed(range(len(ticks))):
                assert counter(clip.frame(ordinal).luma) == ordinal


class _Counted:
    """How many packets the decoders were given."""

    def __init__(self, monkeypatch):
        self.packets = 0
        feed = Decoder.feed

        def counting(decoder):
            self.packets += 1
            return feed(decoder)

        monkeypatch.setattr(Decoder, "feed", counting)


def test_stepping_back_through_the_ring_decodes_nothing(footage, monkeypatch):
    with open_clip(footage("long groups with B-frames")) as clip:
        clip.frame(140)
        counted = _Counted(monkeypatch)
        for ordinal in range(140, 80, -1):
            clip.frame(ordinal)
        assert counted.packets == 0


def test_stepping_forward_continues_the_running_decoder(footage, monkeypatch):
    """One packet a step on the average; the decoder's look-ahead may add a few at the start."""
    with open_clip(footage("long groups with B-frames")) as clip:
        clip.frame(30)
        counted = _Counted(monkeypatch)
        for ordinal in range(31, 131):
            clip.frame(ordinal)
        assert counted.packets <= 110


def test_a_jump_decodes_no_more_than_its_own_group(footage, monkeypatch):
    """Key frames every 20 pictures: a jump costs one group and the decoder's look-ahead."""
    with open_clip(footage("short groups"), ring_bytes=1) as clip:
        counted = _Counted(monkeypatch)
        for ordinal in (55, 12, 38):
            before = counted.packets
            clip.frame(ordinal)
            assert counted.packets - before <= 20 + 6


def test_the_ring_holds_no_more_than_its_bytes(footage):
    with open_clip(footage("short groups"), ring_bytes=1_000_000) as clip:
        clip.frame(59)
        ring = clip._access._ring
        assert 900_000 < ring.bytes_held <= 1_000_000
        assert ring.bytes_held == sum(p.nbytes for p in ring._pictures.values())


def test_a_pass_closed_early_lets_its_decoder_go(footage):
    with open_clip(footage("long groups with B-frames")) as clip:
        reading = clip.frames(10, 140)
        assert next(reading).ordinal == 10
        decoder = reading._decoder
        reading.close()
        assert decoder._container is None
        assert list(reading) == []
        assert clip.frame(11).ordinal == 11


def test_many_passes_dropped_half_way_leave_no_threads_and_no_open_files(footage):
    """Dropped without closing: each lets go by itself."""
    threads, files = Path("/proc/self/task"), Path("/proc/self/fd")
    if not threads.exists():
        pytest.skip("counts threads and files under /proc")
    with open_clip(footage("short groups")) as clip:
        before = len(list(threads.iterdir())), len(list(files.iterdir()))
        for _ in range(20):
            next(clip.frames(threads=2))
        assert (len(list(threads.iterdir())), len(list(files.iterdir()))) == before
