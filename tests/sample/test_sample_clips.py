"""Encoded clips carry the pictures, times and shape that were asked for."""

from dataclasses import replace
from fractions import Fraction

import av
import numpy as np
import pytest

from clipmark.errors import FolderError, FootageError
from clipmark.sample import (
    Board,
    Camera,
    Encoding,
    Look,
    Renderer,
    Scene,
    Timing,
    render_clip,
)
from clipmark.sample.media import sample_media_folder

SMALL = Scene(camera=Camera(width=320, height=180, view_deg=36.0), timing=Timing(frames=3))


def decoded(path):
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        frames = list(container.decode(stream))
        return stream, frames


def luma_plane(frame):
    plane = frame.planes[0]
    kind = np.uint16 if "10" in frame.format.name else np.uint8
    rows = np.frombuffer(plane, kind).reshape(frame.height, -1)
    return rows[:, : frame.width]


def test_a_lossless_clip_holds_the_rendered_code_values_exactly(tmp_path):
    scene = replace(SMALL, encoding=Encoding(crf=0.0, extra=(("qp", "0"),)))
    render_clip(scene, tmp_path / "a.mp4")
    renderer = Renderer(scene)
    _, frames = decoded(tmp_path / "a.mp4")
    assert len(frames) == 3
    for k, frame in enumerate(frames):
        assert np.array_equal(luma_plane(frame), renderer.frame(k)[0])


def test_ten_bit_hevc_keeps_the_picture_at_ten_bits(tmp_path):
    scene = replace(SMALL, encoding=Encoding(codec="libx265", ten_bit=True, crf=8.0))
    render_clip(scene, tmp_path / "a.mp4")
    stream, frames = decoded(tmp_path / "a.mp4")
    assert stream.codec_context.name == "hevc"
    assert frames[0].format.name == "yuv420p10le"
    difference = luma_plane(frames[0]).astype(float) - Renderer(scene).codes(0)[0] * 4
    # grain of 1.5 levels is 6 at ten bits; the encoder adds about as much
    assert difference.std() < 12.0
    assert abs(difference.mean()) < 0.5


@pytest.mark.parametrize(("turn", "rotation"), [(1, -90), (2, -180), (3, 90)])
def test_a_turned_clip_is_stored_lying_and_asks_to_be_turned_back(tmp_path, turn, rotation):
    camera = Camera(width=180, height=320, view_deg=22.0)
    scene = replace(
        SMALL, camera=camera, encoding=Encoding(stored_turn=turn, crf=0.0, extra=(("qp", "0"),))
    )
    render_clip(scene, tmp_path / "a.mp4")
    _, frames = decoded(tmp_path / "a.mp4")
    assert frames[0].rotation == rotation  # PyAV counts counter-clockwise
    upright = np.rot90(luma_plane(frames[0]), -turn)
    assert np.array_equal(upright, Renderer(scene).frame(0)[0])


def test_wide_pixels_are_written_and_swap_with_a_quarter_turn(tmp_path):
    camera = Camera(width=240, height=180, pixel_aspect=(4, 3))
    render_clip(replace(SMALL, camera=camera), tmp_path / "a.mp4")
    assert decoded(tmp_path / "a.mp4")[0].sample_aspect_ratio == Fraction(4, 3)
    render_clip(replace(SMALL, camera=camera, encoding=Encoding(stored_turn=1)), tmp_path / "b.mp4")
    assert decoded(tmp_path / "b.mp4")[0].sample_aspect_ratio == Fraction(3, 4)


def test_frame_times_are_the_ones_given(tmp_path):
    pts = (0, 1500, 4500, 4611, 9003)
    truth = render_clip(replace(SMALL, timing=Timing(pts=pts)), tmp_path / "a.mp4")
    stream, frames = decoded(tmp_path / "a.mp4")
    times = [Fraction(frame.pts) * stream.time_base for frame in frames]
    assert times == [Fraction(p, 90000) for p in pts]
    assert truth["frames"]["times_s"] == pytest.approx([p / 90000 for p in pts], abs=1e-12)


def test_the_same_scene_gives_the_same_bytes(tmp_path):
    first = render_clip(SMALL, tmp_path / "a.mp4")
    second = render_clip(SMALL, tmp_path / "b.mp4")
    assert first["clip_sha256"] == second["clip_sha256"]


def test_grain_has_the_stated_spread_in_levels():
    scene = replace(SMALL, look=Look(grain_levels=2.0))
    renderer = Renderer(scene)
    noise = renderer.frame(0)[0] - renderer.codes(0)[0]
    # rounding to whole levels adds a variance of 1/12; 57,600 pixels know it to 0.3 %
    assert noise.std() == pytest.approx(np.sqrt(4.0 + 1 / 12), rel=0.02)


def test_linear_grain_grows_with_the_light():
    scene = replace(
        SMALL, look=Look(tone="linear", grain_in="linear", grain_levels=4.0, vignette=0.0)
    )
    renderer = Renderer(scene)
    clean = renderer.codes(0)[0]
    noise = renderer.frame(0)[0] - clean
    dark, bright = noise[clean < 35].std(), noise[clean > 150].std()
    assert bright > 1.8 * dark


def test_refusals_are_sentences(tmp_path):
    with pytest.raises(FolderError) as refusal:
        render_clip(SMALL, tmp_path / "no" / "a.mp4")
    assert str(refusal.value) == (
        f"the folder {tmp_path / 'no'} for the clip a.mp4 does not exist; make it first"
    )
    with pytest.raises(FootageError) as refusal:
        render_clip(replace(SMALL, board=Board(ramp_deg=95.0)), tmp_path / "a.mp4")
    assert str(refusal.value) == (
        "the board of the scene stands at 95 deg; "
        "give a slope from 0 to 85 and say with `rises` which end is higher"
    )
    with pytest.raises(FootageError) as refusal:
        render_clip(replace(SMALL, encoding=Encoding(codec="nothing")), tmp_path / "a.mp4")
    assert str(refusal.value) == ("this installation has no encoder named 'nothing'; use libx264")
    with pytest.raises(FootageError) as refusal:
        render_clip(replace(SMALL, look=Look(tone="log")), tmp_path / "a.mp4")
    assert str(refusal.value) == "the tone curve 'log' is not known; use srgb, scurve or linear"


def test_missing_media_are_told_with_the_places_looked_at(tmp_path, monkeypatch):
    inside = tmp_path / "clipmark" / "sample"
    inside.mkdir(parents=True)
    monkeypatch.setattr("clipmark.sample.media.__file__", str(inside / "media.py"))
    with pytest.raises(FolderError) as refusal:
        sample_media_folder()
    assert str(refusal.value) == (
        f"the sample media are missing: no event.json in {inside / 'media'} or "
        f"{tmp_path / 'sample_media'}; install clipmark again, or make them with "
        "`python -m clipmark.sample.make FOLDER`"
    )
    (inside / "media").mkdir()
    (inside / "media" / "event.json").write_text("{}")
    assert sample_media_folder() == inside / "media"
