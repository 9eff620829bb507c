"""Clips that cannot tell something say so in a sentence, and the rest is told."""

from fractions import Fraction

import av
import numpy as np
import pytest

import clipmark
from clipmark.measure.footage import look_over
from tests.measure.footage_kit import encode

SIZE = (192, 256)


def looked_at(path, *, closely: bool = True):
    with clipmark.open_clip(path) as clip:
        return look_over(clip, closely=closely).to_dict()


def plain(tmp_path, code: int, frames: int = 20):
    path = tmp_path / "plain.mp4"
    encode(path, [np.full(SIZE, code, np.uint8)] * frames, 1.0)
    return path


def edge_and_texture(k: int = 0) -> np.ndarray:
    """A leaning edge beside texture, with noise, codes."""
    rng = np.random.default_rng(2)
    still = 90 + 8 * rng.normal(size=SIZE)
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    still = np.where(x + 0.2 * y > 150, 190, still)
    return np.clip(still + np.random.default_rng(k).normal(0, 2, SIZE), 0, 255).astype(np.uint8)


@pytest.mark.parametrize(("code", "name"), [(16, "clipped_black"), (235, "clipped_white")])
def test_a_black_or_white_clip_tells_only_that(tmp_path, code, name):
    found = looked_at(plain(tmp_path, code))
    assert found[name] == found[f"{name}_worst"] == 1.0
    told = found["not_told"]
    assert found["edge_spread_px"] is None
    assert told["edge_spread_px"].startswith(
        "Sharpness and what a line can be read to cannot be told: no straight edge of 60 px or more"
    )
    assert told["noise_temporal"] == (
        "Noise from picture to picture cannot be told: no two pictures in a row have enough in "
        "them that stands still and is neither at black nor at white."
    )
    assert told["body_u_px"] == (
        "What can be followed to which accuracy cannot be told: no part of the picture has texture "
        "to hold on to."
    )
    assert told["shake_px"].startswith("Shake cannot be told")
    assert found["camera"] == "cannot tell"
    assert any(
        sentence.count("at white" if code > 99 else "at black") for sentence in found["advice"]
    )


def test_a_single_frame_tells_angles_alone(tmp_path):
    path = tmp_path / "one.mp4"
    encode(path, [edge_and_texture()], 8.0)
    found = looked_at(path)
    assert found["edges"]
    assert found["body_u_px"] is None
    assert found["not_told"]["body_u_px"] == (
        "What can be followed to which accuracy cannot be told: the clip has fewer than 16 frames "
        "to follow something through."
    )
    assert found["not_told"]["flicker_share"] == (
        "Flicker cannot be told without the times of several frames."
    )
    assert found["duration_s"] is None


def test_a_bare_stream_without_times_tells_angles_alone(tmp_path):
    path = tmp_path / "bare.h264"
    encode(path, [edge_and_texture(k) for k in range(20)], 8.0)
    found = looked_at(path)
    assert found["edges"]
    assert found["not_told"]["body_u_px"] == (
        "What can be followed to which accuracy cannot be told: the file carries no frame times; "
        "only angles can be read."
    )
    assert found["not_told"]["rolling_shutter_s"] == (
        "Rolling shutter cannot be seen here: the file carries no frame times."
    )


def test_uneven_intervals_are_told(tmp_path):
    path = tmp_path / "uneven.mp4"
    times = np.cumsum([0.0] + [1 / 60, 1 / 30] * 9)
    encode(path, [edge_and_texture(k) for k in range(19)], 8.0, times_s=list(times))
    found = looked_at(path, closely=False)
    assert found["intervals_even"] is False
    assert found["longest_interval_s"] == pytest.approx(1 / 30, abs=1e-3)


def test_ten_bits_and_wide_pixels(tmp_path):
    """Noise and clipping are shares of black to white; an edge's length is in square pixels."""
    path = tmp_path / "deep.mkv"
    with av.open(str(path), "w") as out:
        stream = out.add_stream("ffv1", rate=30)
        stream.width, stream.height, stream.pix_fmt = SIZE[1], SIZE[0], "gray10le"
        stream.sample_aspect_ratio = stream.codec_context.sample_aspect_ratio = Fraction(4, 3)
        for k in range(18):
            deep = (edge_and_texture(k).astype(np.uint16) * 4).astype("<u2")
            out.mux(stream.encode(av.VideoFrame.from_ndarray(deep, format="gray10le")))
        out.mux(stream.encode(None))
    found = looked_at(path)
    assert (found["bit_depth"], found["white_level"]) == (10, 1023)
    assert found["noise_temporal"] == pytest.approx(2 * 4 / 1023, rel=0.1)
    edge = found["edges"][0]
    x1, y1, x2, y2 = edge["ends_px"]
    assert edge["length_px"] == pytest.approx(np.hypot((x2 - x1) * 4 / 3, y2 - y1), rel=0.05)
