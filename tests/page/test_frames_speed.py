"""How fast frames come: a study with a 1080p60 clip, key frame every 250, about 20 Mb/s.

Run with ``pytest -m slow -s tests/page/test_frames_speed.py -n 0``; it prints what it measures.
"""

import random
import statistics
import time
from fractions import Fraction

import av
import cv2
import numpy as np
import pytest

from clipmark.clip import open_clip
from clipmark.page.shelf import Shelf
from tests.page import frames_kit as kit

pytestmark = pytest.mark.slow
WIDTH, HEIGHT, COUNT, GROUP = 1920, 1080, 720, 250
SHOWN = 1280


@pytest.fixture(scope="module")
def heavy(tmp_path_factory):
    """A pan over cloudy texture with a moving disc and grain."""
    path = tmp_path_factory.mktemp("heavy") / "heavy.mp4"
    rng = np.random.default_rng(3)
    wide = WIDTH + COUNT
    ground = np.full((HEIGHT, wide), 115, np.float32)
    for grain_px, strength in ((4, 10), (16, 18), (64, 30)):
        cells = (HEIGHT // grain_px + 2, wide // grain_px + 2)
        cloud = rng.normal(0, strength, cells).astype(np.float32)
        ground += cv2.resize(cloud, (wide, HEIGHT), interpolation=cv2.INTER_CUBIC)
    ground = np.clip(ground, 20, 230)
    grains = [rng.normal(0, 4, (HEIGHT, WIDTH)).astype(np.float32) for _ in range(7)]
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=60)
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        stream.bit_rate = 20_000_000
        keys = f"bframes=3:keyint={GROUP}:min-keyint={GROUP}:scenecut=0"
        stream.options = {"preset": "veryfast", "x264-params": keys}
        for k in range(COUNT):
            luma = ground[:, k : k + WIDTH] + grains[k % 7]
            cv2.circle(luma, (300 + 2 * k, 600), 200, 60, -1)
            luma = np.clip(luma, 16, 235).astype(np.uint8)
            burnt = kit.counted_picture(k, WIDTH, 40)
            luma[:40, :300] = burnt[:40, :300]
            frame = kit.clips.video_frame(luma, "yuv420p")
            frame.pts, frame.time_base = k, Fraction(1, 60)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path


@pytest.fixture
def event(heavy, tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    return kit.event_with(tmp_path / "event", heavy)


def decode_alone(clip):
    """Frames per second of the same one-thread decoder with nothing else."""
    start, count = time.perf_counter(), 0
    with clip.sequential_decoder() as decoder:
        decoder.start(None)
        while decoder.read() is not None:
            count += 1
    return count / (time.perf_counter() - start)


def test_the_page_cache_is_built_at_no_less_than_six_tenths_of_decoding_alone(event):
    shelf = Shelf(event)
    sha = shelf.refresh()[0].sha256
    with shelf.clip(sha) as clip:
        before = decode_alone(clip)
        start = time.perf_counter()
        shelf.caches.want(clip)
        while shelf.caches.state(sha).state == "building":
            time.sleep(0.01)
        built = clip.frame_count / (time.perf_counter() - start)
        after = decode_alone(clip)
    assert shelf.caches.state(sha).state == "ready"
    shelf.close()
    alone = statistics.mean((before, after))
    print(f"\ndecoding alone {before:.0f} and {after:.0f} frames/s, cache {built:.0f}", end=" ")
    print(f"frames/s: ratio {built / alone:.2f}")
    assert built >= 0.6 * alone


def spread(times_ms):
    ordered = sorted(times_ms)
    return statistics.median(ordered), ordered[int(0.95 * len(ordered))]


@pytest.mark.parametrize("pause_s", [0.03, 0.15])
def test_steps_and_jumps_over_the_api(pause_s, event, heavy):
    """200 actions, as a person makes them: 45 % on, 35 % back, 17 % within ten, 3 % far."""
    rng, place = random.Random(5), 300
    times: dict[str, list[float]] = {"step": [], "near": [], "small": []}
    over: list[float] = []
    jumps: list[float] = []
    with kit.page(event) as client:
        sha = kit.sha_of(client, "heavy.mp4")
        client.post(f"/api/clips/{sha}/open")
        while client.get(f"/api/clips/{sha}/cache").json()["state"] == "building":
            time.sleep(0.05)
        frames = f"/api/clips/{sha}/frames"
        client.get(f"{frames}/{place}.jpg?width={SHOWN}")
        for _ in range(200):
            draw, before = rng.random(), place
            kind = "step" if draw < 0.80 else "near" if draw < 0.97 else "far"
            step = 1 if draw < 0.45 else -1
            if kind == "near":
                step = rng.choice([-1, 1]) * rng.randint(2, 10)
            place = rng.randrange(COUNT) if kind == "far" else before + step
            place = max(0, min(COUNT - 1, place))
            way = 0 if kind == "far" else int(np.sign(place - before))
            start = time.perf_counter()
            if kind == "far":
                small = client.get(f"/api/clips/{sha}/preview/{place}.jpg")
                times["small"].append((time.perf_counter() - start) * 1e3)
                assert small.headers["x-frame-ordinal"] == str(place)
            hint = {"ordinal": place, "direction": way, "width": SHOWN}
            client.post(f"/api/clips/{sha}/here", json=hint)
            answer = client.get(f"{frames}/{place}.jpg?width={SHOWN}")
            took = (time.perf_counter() - start) * 1e3
            assert answer.headers["x-frame-ordinal"] == str(place)
            if kind == "far":
                jumps.append(took)
                over.append(took - from_its_key_frame(heavy, place))
            else:
                times[kind].append(took)
            time.sleep(pause_s)
    print(f"\npause {pause_s * 1e3:.0f} ms")
    for kind, taken in times.items():
        median, late = spread(taken)
        print(f"  {kind}: {len(taken)} x, median {median:.1f} ms, 95th percentile {late:.1f} ms")
    print(f"  exact after a far jump, ms over decoding from its key frame: {np.round(over)}")
    # ratios within this run; what the numbers above are depends on the machine
    far_ms = statistics.median(jumps)
    assert spread(times["step"])[0] < 0.1 * far_ms
    assert spread(times["small"])[1] < 0.5 * far_ms
    assert statistics.median(over) < 0.25 * far_ms


def from_its_key_frame(path, ordinal):
    """ms that a decoder standing ready needs from the key frame before, seek included."""
    with open_clip(path) as clip, clip.sequential_decoder() as decoder:
        decoder.start(None)
        decoder.read()
        start = time.perf_counter()
        assert decoder.start(next(clip.index.keys_before(ordinal)))
        while decoder.read()[0] < ordinal:
            pass
        return (time.perf_counter() - start) * 1e3
