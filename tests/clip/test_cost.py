"""What reading costs: memory that does not grow with the clip, time near plain decoding."""

import subprocess
import sys
import time
from fractions import Fraction

import av
import numpy as np
import pytest

from clipmark.clip import open_clip

READ_ALL = """
import resource, sys
from clipmark.clip import check, open_clip
def used(): return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
with open_clip(sys.argv[1]) as clip:
    n = sum(1 for frame in clip.frames())
    passed = used()
    for ordinal in range(0, clip.frame_count, clip.frame_count // 60):
        clip.frame(ordinal).luma
    print(n, passed, used())
"""


def flat(index, size):
    """A cheap picture: a bar that wanders over grey."""
    picture = np.full(size[::-1], 90, np.uint8)
    picture[:, index % size[0]] = 200
    return picture


def read_all(path):
    """Frames read, and peak memory (MB) after a whole pass, and after 60 jumps as well."""
    answer = subprocess.run(
        [sys.executable, "-c", READ_ALL, str(path)], capture_output=True, text=True, check=True
    )
    return tuple(int(word) for word in answer.stdout.split())


@pytest.mark.slow
def test_ten_minutes_are_read_in_under_500_mb(make, tmp_path):
    """18 000 frames of 640 x 360: one pass, then jumps all over; and no more than for 20 s."""
    peaks = {}
    for seconds in (20, 600):
        path = make(
            tmp_path / f"{seconds}.mp4",
            count=seconds * 30,
            size=(640, 360),
            params="keyint=60:bframes=2:qp=40",
            picture=lambda index: flat(index, (640, 360)),
        )
        count, passed, jumped = read_all(path)
        assert count == seconds * 30
        assert jumped < 500
        peaks[seconds] = passed
    # the index is some 10 MB for 18 000 frames; frames themselves would be 6 GB
    assert peaks[600] - peaks[20] < 40


@pytest.mark.slow
def test_a_full_ring_of_large_pictures_stays_under_500_mb(make, tmp_path):
    """1080p, one group of 150: jumps to its end fill the ring."""
    path = make(
        tmp_path / "large.mp4",
        count=150,
        size=(1920, 1080),
        params="keyint=250:bframes=3:qp=35",
        picture=lambda index: flat(index, (1920, 1080)),
    )
    assert read_all(path)[2] < 500


@pytest.mark.slow
def test_a_pass_costs_little_more_than_plain_decoding(make, tmp_path):
    """1080p60 at some 20 Mb/s, one thread, best of three each, turn about in one run.

    Limit 1.25: the luma copy and the index look-up are some 1 % of decoding at this size; the rest
    is room for a busy machine.
    """
    rng = np.random.default_rng(2)
    base = np.kron(rng.integers(60, 180, (68, 120)), np.ones((16, 16)))[:1080]
    noise = [rng.normal(0, 4, base.shape) for _ in range(4)]
    path = make(
        tmp_path / "phone.mp4",
        count=120,
        size=(1920, 1080),
        rate=Fraction(60),
        time_base=Fraction(1, 60),
        params="keyint=60:bframes=3:bitrate=20000",
        picture=lambda k: np.clip(np.roll(base, k, 1) + noise[k % 4], 16, 235).astype(np.uint8),
    )

    def plain():
        with av.open(str(path)) as container:
            stream = container.streams.video[0]
            stream.thread_type, stream.codec_context.thread_count = "NONE", 1
            for frame in container.decode(stream):
                plane = frame.planes[0]
                np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)[:1080, :1920].copy()

    def ours():
        with open_clip(path) as clip:
            assert sum(1 for _ in clip.frames(threads=1)) == 120

    def seconds(work):
        start = time.process_time()
        work()
        return time.process_time() - start

    times = [(seconds(plain), seconds(ours)) for _ in range(3)]
    assert min(t[1] for t in times) < 1.25 * min(t[0] for t in times)
