"""One mark fitted on demand is fitted as measuring fits it, and shows what else it could be."""

import json
import math

import numpy as np
import pytest

from clipmark.clip import open_clip
from clipmark.errors import FitError, FrameError, MarkError
from clipmark.marks import Line, Point
from clipmark.marks_file import MarksFile, angle_from
from clipmark.measure.one_fit import fit_one_line, fit_one_wheel
from clipmark.sample.media import sample_media_folder

MEDIA = sample_media_folder()


@pytest.fixture(scope="module")
def stall():
    with open_clip(MEDIA / "siskin-climb.mp4") as clip:
        yield clip


@pytest.fixture(scope="module")
def marks() -> MarksFile:
    return MarksFile.read(MEDIA / "marks" / "siskin-climb.json", MEDIA / "lenses")


@pytest.fixture(scope="module")
def lines(stall, marks) -> dict[str, dict[str, object]]:
    """Lines as a whole measurement describes them."""
    return angle_from(stall, marks).to_dict()["lines"]  # type: ignore[return-value]


@pytest.mark.parametrize("name", ["ramp", "plumb"])
def test_a_line_fitted_alone_is_the_line_of_the_reading(stall, marks, lines, name):
    """To the last digit with a lens file: the same function on the same picture."""
    found = fit_one_line(stall, 0, marks.lines[name], name, marks.view())
    assert {key: found[key] for key in lines[name]} == lines[name]


def test_hubs_fitted_alone_are_those_of_the_reading(stall, marks, lines):
    pair = marks.lines["hubs"]
    both = [
        fit_one_wheel(stall, 0, end, "hub", marks.rim_px, marks.view())["measured"]
        for end in pair.ends
    ]
    assert [*both[0], *both[1]] == lines["hubs"]["measured"]


def test_the_points_of_a_fitted_edge_bend_as_the_lens_bends_it():
    """Through this lens a cord near the picture's rim is no straight line in the picture."""
    marks = MarksFile.read(MEDIA / "marks" / "siskin-climb.json", MEDIA / "lenses")
    with open_clip(MEDIA / "siskin-climb.mp4") as clip:
        found = fit_one_line(clip, 0, marks.lines["plumb"], "plumb", marks.view())
    points = np.array(found["picture_points"])
    ends = points[[0, -1]]
    along = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
    off = (points - ends[0]) @ np.array([-along[1], along[0]])
    assert np.abs(off).max() > 0.5
    assert found["measured"] == [*ends[0], *ends[1]]


def test_the_runner_up_is_drawn_where_the_other_edge_is(tmp_path):
    """Two straight edges 7 px apart, the other turned by 0.4 deg, in a drawn picture."""
    clip = drawn_clip(tmp_path, other_turn_deg=0.4)
    with open_clip(clip) as footage:
        found = fit_one_line(footage, 0, Line(40, 122, 600, 121), "ramp")
    assert found["edge_fit"]["runner_up"] is not None
    x1, y1, x2, y2 = found["runner_up_line"]
    fitted = np.array(found["measured"]).reshape(2, 2)
    # The other edge: y = 127 + tan(0.4 deg) (320 - x), and the fitted one lies at y = 120.
    for x, y in ((x1, y1), (x2, y2)):
        assert y == pytest.approx(127 + math.tan(math.radians(0.4)) * (320 - x), abs=1.0)
    assert fitted[:, 1] == pytest.approx([120, 120], abs=0.1)
    assert any("another line lies" in note for note in found["warnings"])


def test_a_wheel_s_rim_is_given_as_it_is_seen(stall, marks):
    found = fit_one_wheel(stall, 0, marks.lines["hubs"].ends[1], "wheel", marks.rim_px)
    cx, cy, rx, ry, turn_deg = found["wheel"]
    assert (cx, cy) == tuple(found["measured"])
    assert rx == pytest.approx(found["radius_px"], rel=0.03)
    assert ry == pytest.approx(found["radius_px"], rel=0.03)
    assert -90 <= turn_deg <= 90
    assert 0 < found["u_px"] < 0.2


def test_everything_it_gives_is_plain_json(stall, marks):
    found = fit_one_line(stall, 0, marks.lines["ramp"], "ramp")
    assert json.loads(json.dumps(found, allow_nan=False)) == found


def test_what_cannot_be_fitted_is_said_in_a_sentence(stall):
    with pytest.raises(MarkError, match=r"^the ramp line is 10\.0 px long, but at least 20 px is"):
        fit_one_line(stall, 0, Line(100, 100, 110, 100), "ramp")
    with pytest.raises(MarkError, match=r"^the hub has a point at \(2000, 100\), outside the pict"):
        fit_one_wheel(stall, 0, Point(2000, 100), "hub")
    with pytest.raises(FitError, match=r"no wheel was found near \(640, 30\)"):
        fit_one_wheel(stall, 0, Point(640, 30), "hub", 25.0)
    with pytest.raises(FrameError, match="frame 99999 is not in the clip"):
        fit_one_line(stall, 99_999, Line(100, 100, 300, 100), "ramp")


def drawn_clip(folder, other_turn_deg: float):
    """A lossless grey clip of 640 x 240 px with two edges, drawn with 8 samples a pixel."""
    import av

    fine = 8
    height, width = 240, 640
    y, x = np.mgrid[0 : height * fine, 0 : width * fine]
    y, x = (y + 0.5) / fine - 0.5, (x + 0.5) / fine - 0.5
    picture = np.full(y.shape, 60.0)
    picture[y > 120] = 170.0
    slope = math.tan(math.radians(other_turn_deg))
    picture[y > 127 + slope * (320 - x)] = 62.0
    picture = picture.reshape(height, fine, width, fine).mean(axis=(1, 3))
    rng = np.random.default_rng(5)
    path = folder / "drawn.mkv"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("ffv1", rate=30)
        stream.width, stream.height, stream.pix_fmt = width, height, "gray"
        for _ in range(3):
            noisy = np.clip(picture + rng.normal(0, 1.0, picture.shape), 0, 255)
            frame = av.VideoFrame.from_ndarray(noisy.astype(np.uint8), format="gray")
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path
