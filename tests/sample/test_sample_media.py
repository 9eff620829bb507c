"""The committed media are whole, agree with their truth, and are what their maker would make."""

import hashlib
import json
from pathlib import Path

import av
import numpy as np
import pytest

from clipmark.sample.make import attempts, event_record, lens_file, operator_marks, truth_of
from clipmark.sample.media import sample_media_folder
from clipmark.sample.render import Renderer
from clipmark.sample.tilt import TiltScene
from clipmark.sample.tilt_render import TiltRenderer

MEDIA = sample_media_folder()
ATTEMPTS = attempts()


def read(path: Path):
    return json.loads(path.read_text(encoding="utf-8"))


def by_name(item):
    return item.clip


def agree(stored, made):
    """Equal to a millionth: the last digits of sums differ between machines.

    What was stored earlier may know less than the scene says today, never otherwise.
    """
    if isinstance(made, dict):
        return stored.keys() <= made.keys() and all(agree(stored[k], made[k]) for k in stored)
    if isinstance(made, (list, tuple)):
        return len(stored) == len(made) and all(map(agree, stored, made))
    if isinstance(made, float):
        return abs(stored - made) <= 1e-6 * max(1.0, abs(made))
    return stored == made


def test_the_whole_set_is_under_fourteen_megabytes():
    assert sum(p.stat().st_size for p in MEDIA.rglob("*") if p.is_file()) < 14_000_000


@pytest.mark.parametrize(
    "item", [a for a in ATTEMPTS if a.kinds in (("tilt",), ("climb",))], ids=by_name
)
def test_clips_of_tilts_and_climbs_are_small(item):
    assert (MEDIA / f"{item.clip}.mp4").stat().st_size < 600_000


@pytest.mark.parametrize("item", ATTEMPTS, ids=by_name)
def test_each_clip_is_the_file_its_truth_was_written_for(item):
    truth, path = read(MEDIA / "truth" / f"{item.clip}.json"), MEDIA / f"{item.clip}.mp4"
    assert hashlib.sha256(path.read_bytes()).hexdigest() == truth["clip_sha256"]
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        packets = sorted(p.pts for p in container.demux(stream) if p.pts is not None)
        base = stream.time_base
        rate = path.stat().st_size * 8 / float(max(packets[-1] - packets[0], 1) * base)
    assert len(packets) == truth["frame_count"] == len(truth["frames"]["times_s"])
    assert [float(p * base) for p in packets] == pytest.approx(truth["frames"]["times_s"], abs=1e-9)
    if item.scene.encoding.crf is None:
        assert 6e6 < rate < 2e7


@pytest.mark.parametrize("item", ATTEMPTS, ids=by_name)
def test_stored_truth_is_what_the_scene_says_today(item):
    stored = read(MEDIA / "truth" / f"{item.clip}.json")
    made = json.loads(json.dumps(truth_of(item)))
    for key, value in made.items():
        assert agree(stored[key], value), key


@pytest.mark.parametrize("item", ATTEMPTS, ids=by_name)
def test_stored_marks_and_lens_come_from_the_maker(item):
    truth = read(MEDIA / "truth" / f"{item.clip}.json")
    marks = json.loads(json.dumps(operator_marks(item, truth)))
    assert agree(read(MEDIA / "marks" / f"{item.clip}.json"), marks)
    if item.lens is not None:
        lens = read(MEDIA / "lenses" / f"{item.lens}.json")
        assert agree(lens, json.loads(json.dumps(lens_file(item.scene.camera))))
        assert lens["image_size"] == [truth["width"], truth["height"]]


def test_the_event_lists_every_clip_once():
    event = read(MEDIA / "event.json")
    assert event == event_record()
    assert [row["clip"] for row in event["attempts"]] == [f"{a.clip}.mp4" for a in ATTEMPTS]
    for row in event["attempts"]:
        assert row["entry"] in event["entries"]
        for key in ("clip", "marks", "truth"):
            assert (MEDIA / row[key]).is_file()


def test_a_committed_picture_is_the_rendered_scene():
    item = next(a for a in ATTEMPTS if a.clip == "siskin-stall")
    clean = Renderer(item.scene).codes(0)[0]
    with av.open(str(MEDIA / f"{item.clip}.mp4")) as container:
        frame = next(container.decode(video=0))
    luma = np.frombuffer(frame.planes[0], np.uint8).reshape(frame.height, -1)[:, : frame.width]
    difference = luma - clean
    # grain of 1.5 levels and what 8 Mbit/s leaves of it
    assert difference.std() < 2.5
    assert abs(difference.mean()) < 0.2


def test_a_committed_tilt_is_the_rendered_scene():
    """The truck just tipping, frame 70: 1.2 levels of grain and what the encoder leaves."""
    item = next(a for a in ATTEMPTS if a.clip == "siskin-tilt-left")
    assert isinstance(item.scene, TiltScene)
    drawn = TiltRenderer(item.scene)
    light = drawn.sensor.expose(drawn.sensor.blur(drawn.light(70)), 0, 0, None)
    clean = drawn.sensor.code_values(light)[0]
    with av.open(str(MEDIA / f"{item.clip}.mp4")) as container:
        frame = next(f for k, f in enumerate(container.decode(video=0)) if k == 70)
    luma = np.frombuffer(frame.planes[0], np.uint8).reshape(frame.height, -1)[:, : frame.width]
    difference = luma - clean
    assert difference.std() < 3.0
    assert abs(difference.mean()) < 0.3


def test_the_promised_views_are_within_what_is_promised():
    for item in ATTEMPTS:
        if item.square_within is not None:
            camera = item.scene.camera
            assert max(abs(camera.yaw_deg), abs(camera.pitch_deg)) <= item.square_within
