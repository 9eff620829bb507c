"""``clipmark lens CLIP --straight`` on a drawn and encoded clip of known bend."""

import json

import numpy as np
import pytest

from clipmark.measure.lens_file import load_lens
from tests.cli.conftest import encode
from tests.measure.straight_scene import Scene

SCENE = Scene(bend=-0.09, middle=(3.0, -2.0))


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    """A clip of boards through a barrel of 11.5 % at the corner, and rough lines along three."""
    path = tmp_path_factory.mktemp("room") / "room.mp4"
    rng = np.random.default_rng(9)
    picture = SCENE.draw(rng).astype(float)
    encode(path, [picture] * 3)
    rough = SCENE.ends() + rng.normal(0, 1.5, (5, 2, 2))
    lines = [",".join(f"{value:.1f}" for value in ends.ravel()) for ends in rough[:3]]
    return path, [item for line in lines for item in ("--straight", line)]


def test_the_bend_is_found_within_its_uncertainty_and_written_as_a_lens_file(
    clipmark, room, tmp_path
):
    clip, straight = room
    out = tmp_path / "lens.json"
    ran = clipmark(
        "lens", clip, "--frame", "1", *straight, "--view-angle", "65", "--out", out, "--json"
    )
    assert (ran.status, ran.err) == (0, "")
    found = ran.json
    error = found["corner_bend_percent"] - 100 * SCENE.corner_bend
    assert abs(error) < found["corner_bend_u95_percent"] < 0.5
    assert found["model"] == "ordinary"
    assert found["image_size"] == [640, 360]
    assert len(found["lines"]) == 3
    assert found["fx"] == pytest.approx(320 / np.tan(np.radians(32.5)))
    lens = load_lens(out)
    assert lens.focal == "view angle"
    assert lens.distortion[0] == found["distortion"]["k1"]
    assert json.loads(out.read_text(encoding="utf-8"))["clip_sha256"] == found["clip_sha256"]


REFUSED = {
    "no frame": (
        ("--straight", "40,40,600,40"),
        "straight things are marked in a frame, but which one is missing; give it (--frame)",
    ),
    "too bowed": (
        ("--frame", "1", "--straight", "40,40,600,40", "--straight-u", "50"),
        "a bow of 50 mm on a metre was given, but it must lie between 0 and 20; give how straight "
        "the things are, such as 0.3 (--straight-u)",
    ),
    "unreadable": (
        ("--frame", "1", "--straight", "40,40"),
        "room.mp4, frame 1: the straight line '40,40' cannot be read: write its ends as "
        "x1,y1,x2,y2, with more points along it in between if wanted, or FRAME:x1,y1,x2,y2",
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_be_measured_is_refused_with_a_sentence(clipmark, room, case):
    options, sentence = REFUSED[case]
    ran = clipmark("lens", room[0], *options)
    assert (ran.status, ran.out, ran.err) == (2, "", f"clipmark lens: {sentence}\n")
