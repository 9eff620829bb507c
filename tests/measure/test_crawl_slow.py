"""Long checks of a crawl: cost against plain decoding, memory, and a hand-held clip."""

import time
import tracemalloc
from fractions import Fraction

import av
import cv2
import numpy as np
import pytest
from skimage import data

import clipmark
from clipmark.sample.camera import Camera, Tremor
from clipmark.sample.clips import render_clip
from clipmark.sample.motion import Motion
from clipmark.sample.scene import Board, Scene, Timing, Truck
from tests.motion import drawn

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def full_hd(tmp_path_factory):
    """240 frames of 1080p60 at 20 Mb/s: a textured body over a textured ground, grain of 1.5."""
    rng = np.random.default_rng(0)
    ground = cv2.resize(data.astronaut()[60:348, :, 1], (1920, 1080), interpolation=cv2.INTER_CUBIC)
    bricks = cv2.resize(data.brick(), (1920, 1080))
    ground = cv2.GaussianBlur(0.6 * ground + 0.4 * bricks.astype(np.float32), (0, 0), 0.8)
    body = cv2.GaussianBlur(data.coins()[:200, :320].astype(np.float32), (0, 0), 0.8)
    grain = [rng.normal(0, 1.5, ground.shape).astype(np.float32) for _ in range(7)]
    path = tmp_path_factory.mktemp("hd") / "hd.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=Fraction(60))
        stream.width, stream.height, stream.pix_fmt = 1920, 1080, "yuv420p"
        stream.bit_rate = 20_000_000
        stream.options = {"preset": "veryfast", "g": "250", "bf": "2"}
        for k in range(240):
            x, y = 400 + 0.65 * k, 500 + 0.1 * k
            shift = np.float32([[1, 0, x % 1], [0, 1, y % 1]])
            moved = cv2.warpAffine(body, shift, (321, 201), borderMode=cv2.BORDER_REPLICATE)
            luma = ground + grain[k % 7]
            luma[int(y) + 1 : int(y) + 200, int(x) + 1 : int(x) + 320] += (
                moved[1:200, 1:320] - ground[int(y) + 1 : int(y) + 200, int(x) + 1 : int(x) + 320]
            )
            frame = av.VideoFrame(1920, 1080, "yuv420p")
            drawn._fill(frame.planes[0], np.clip(np.rint(luma), 0, 255).astype(np.uint8))
            for plane in list(frame.planes)[1:]:
                drawn._fill(plane, np.full((540, 960), 128, np.uint8))
            frame.pts = k
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def decode_with_one_thread(path) -> float:
    """Seconds to decode every frame to luma with PyAV and one decoding thread."""
    start = time.perf_counter()
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        stream.thread_type, stream.codec_context.thread_count = "NONE", 1
        for frame in container.decode(stream):
            plane = frame.planes[0]
            np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)[:1080, :1920].copy()
    return time.perf_counter() - start


@pytest.mark.parametrize(
    ("wheels", "most"), [((), 1.5), (((520, 590, 60, 60), (640, 620, 60, 60)), 1.6)]
)
def test_a_crawl_costs_little_more_than_plain_decoding(full_hd, wheels, most):
    """1080p60 at 20 Mb/s, with and without two wheels of 60 px (marked on the texture, which costs
    what a rim costs). Best of five pairs taken in turn, since a second core that another job holds
    shows as a longer crawl but not as a longer decode."""
    ratios = []
    for _ in range(5):
        plain = decode_with_one_thread(full_hd)
        start = time.perf_counter()
        with clipmark.open_clip(full_hd) as clip:
            clipmark.measure_crawl(
                clip,
                0,
                patch=(460, 530, 200, 140),
                scale=(100, 100, 600, 100),
                scale_mm=250.0,
                wheels=wheels,
            )
        ratios.append((time.perf_counter() - start) / plain)
    assert min(ratios) <= most


def test_memory_does_not_grow_with_the_length_of_the_clip(tmp_path):
    """Python's and NumPy's peak over 1,600 frames exceeds that over 400 by less than 4 kB a frame:
    150 MB for ten minutes at 60 frames a second would be the limit of the bar, this is less."""
    rng = np.random.default_rng(2)
    there = [60 + 1.2 * k for k in range(100)]
    pictures = [drawn.picture((x, 150.0), rng=rng) for x in [*there, *reversed(there)]]
    peaks = []
    for count in (400, 1600):
        path = tmp_path / f"{count}.mp4"
        looped = (pictures * 8)[:count]
        drawn.write(path, looped, [k / 60 for k in range(count)])
        tracemalloc.start()
        with clipmark.open_clip(path) as clip:
            clipmark.measure_crawl(
                clip, 0, patch=(68, 158, 80, 48), scale=(40, 20, 240, 20), scale_mm=100.0
            )
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert (peaks[1] - peaks[0]) / 1200 < 4096


def test_a_hand_held_clip_gives_the_way_to_0_3_mm(tmp_path):
    """0.1 deg of tremor in yaw, pitch and roll, 720p60 at 12 Mb/s: travel root mean square within
    0.3 mm, mean speed within 0.5 %, the shake named."""
    scene = Scene(
        board=Board(ramp_deg=10),
        truck=Truck(start_mm=200),
        motion=Motion(speed_mm_s=20, ripple=0.1),
        timing=Timing(fps=Fraction(60), frames=180),
        camera=Camera(tremor=Tremor(rms_deg=0.1)),
    )
    path = tmp_path / "hand.mp4"
    truth = render_clip(scene, path)
    with clipmark.open_clip(path) as clip:
        reading = clipmark.measure_crawl(
            clip,
            0,
            patch=truth["patch"],
            scale=truth["scale"]["line_px"],
            scale_mm=truth["scale"]["length_mm"],
            scale_u_px=0.0,
        )
    off = reading.table.s_mm.to_numpy() - np.array(truth["frames"]["s_mm"])
    assert np.std(off) < 0.3
    assert reading.mean_speed_mm_s == pytest.approx(truth["motion"]["mean_speed_mm_s"], rel=0.005)
    assert reading.camera == "moving"
    assert reading.shake_px > 2.0
