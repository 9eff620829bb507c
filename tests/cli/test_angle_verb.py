"""``clipmark angle`` on a drawn clip of known truth, and every refusal as a whole sentence."""

import json

import pytest

RAMP_DEG, CHASSIS_DEG = 28.0, 31.0  # as drawn in conftest.py
SQUARE = ["--square-within", "0", "--json"]


def test_it_finds_the_angles_that_were_drawn(clipmark, drawn_clip):
    """Edges 400 px long after x264 are good to thousandths of a degree; 0.03 is the promise."""
    ran = clipmark(
        *drawn_clip.angle, "--plumb", drawn_clip.plumb, "--hubs", drawn_clip.hubs, *SQUARE
    )
    assert ran.status == 0, ran.err
    found = ran.json
    assert found["ramp_deg"] == pytest.approx(RAMP_DEG, abs=0.03)
    assert found["chassis_deg"] == pytest.approx(CHASSIS_DEG, abs=0.06)
    assert found["chassis_to_ramp_deg"] == pytest.approx(CHASSIS_DEG - RAMP_DEG, abs=0.06)


def test_every_value_travels_with_its_interval_and_where_it_came_from(clipmark, drawn_clip):
    found = clipmark(
        *drawn_clip.angle, "--plumb", drawn_clip.plumb, "--hubs", drawn_clip.hubs, "--json"
    ).json
    for name in ("ramp", "chassis", "chassis_to_ramp"):
        value, u95, low, high = (
            found[f"{name}{middle}_deg"] for middle in ("", "_u95", "_low95", "_high95")
        )
        assert low < value < high
        assert u95 == pytest.approx((high - low) / 2)
        rows = found["budget"][f"{name}_deg"]
        assert [row["u_deg"] for row in rows] == sorted((r["u_deg"] for r in rows), reverse=True)
        assert all(set(row) == {"source", "kind", "u_deg", "dof", "advice"} for row in rows)
    assert {"frame", "t_s", "clip_sha256", "fingerprint", "warnings", "lines"} <= set(found)


def test_the_same_marks_give_the_same_reading_to_the_last_digit(clipmark, drawn_clip):
    arguments = [
        *drawn_clip.angle,
        "--plumb",
        drawn_clip.plumb,
        "--hubs",
        drawn_clip.hubs,
        "--json",
    ]
    assert clipmark(*arguments).out == clipmark(*arguments).out


def test_without_edge_fit_the_line_is_taken_as_given(clipmark, drawn_clip):
    found = clipmark(*drawn_clip.angle, "--plumb", "562,40,562,300", "--no-edge-fit", *SQUARE).json
    assert found["ramp_deg"] == pytest.approx(28.0725, abs=1e-3)  # atan(224 / 420)
    assert found["budget"]["ramp_deg"][0]["kind"] == "B"


def test_repeated_marks_enter_as_type_a(clipmark, drawn_clip):
    found = clipmark(
        *drawn_clip.angle, "--ramp", "102,318,518,99", "--ramp", "101,322,521,94", "--plumb",
        "562,40,562,300", "--no-edge-fit", *SQUARE,
    ).json  # fmt: skip
    rows = {row["source"]: row for row in found["budget"]["ramp_deg"]}
    assert rows["ramp line, repeated marks"]["kind"] == "A"
    assert rows["ramp line, repeated marks"]["dof"] == 2


def test_a_table_for_people_shows_value_and_uncertainty(clipmark, drawn_clip):
    ran = clipmark(*drawn_clip.angle, "--plumb", drawn_clip.plumb)
    assert ran.status == 0
    assert "\N{PLUS-MINUS SIGN}" in ran.out
    assert "square-on promise" in ran.out


REFUSALS = {
    "neither level nor plumb": (
        [],
        "clipmark angle: board.mp4, frame 2: neither a level line nor a plumb line was "
        "given; give at least one of them, since gravity enters only there",
    ),
    "a level line that stands upright": (
        ["--level", "562,40,562,300"],
        "clipmark angle: board.mp4, frame 2: the level line leans by 90.0 deg in the picture, but "
        "a level line cannot stand nearly upright; give it as a plumb line (--plumb) if it hangs, "
        "or mark another line",
    ),
    "a plumb line that lies flat": (
        ["--plumb", "100,320,520,300"],
        "clipmark angle: board.mp4, frame 2: the plumb line leans by only 2.7 deg in the picture, "
        "but a plumb line cannot lie nearly flat; give it as a level line (--level) if it is "
        "levelled, or mark another line",
    ),
    "a mark outside the picture": (
        ["--plumb", "562,40,562,400"],
        "clipmark angle: board.mp4, frame 2: the plumb line has a point at (562, 400), outside the "
        "picture of 640 x 360 px; mark it inside",
    ),
    "a line too short": (
        ["--plumb", "562,40,562,52"],
        "clipmark angle: board.mp4, frame 2: the plumb line is 12.0 px long, but at least 20 px is "
        "needed; mark its ends further apart",
    ),
    "numbers that are no line": (
        ["--plumb", "562,40,562"],
        "clipmark angle: board.mp4, frame 2: the plumb line '562,40,562' cannot be read: write it "
        "as x1,y1,x2,y2",
    ),
    "not a number": (
        ["--plumb", "562,40,562,nan"],
        "clipmark angle: board.mp4, frame 2: the plumb line '562,40,562,nan' cannot be read: write "
        "it as x1,y1,x2,y2",
    ),
    "the ramp line again as chassis": (
        ["--plumb", "562,40,562,300", "--chassis", "100,321,520,97"],
        "clipmark angle: board.mp4, frame 2: the ramp line and the chassis line are the same line; "
        "mark the board's edge as the one and the truck's rail as the other",
    ),
    "the ramp line again as level": (
        ["--level", "520,96,100,320"],
        "clipmark angle: board.mp4, frame 2: the ramp line and the level line are the same line; "
        "mark two different lines",
    ),
    "both hubs and chassis": (
        ["--plumb", "562,40,562,300", "--hubs", "258,186,372,118", "--chassis", "250,90,380,60"],
        "clipmark angle: board.mp4, frame 2: both a chassis line and hubs were given; give the one "
        "to be measured",
    ),
    "a sheet without size": (
        ["--plumb", "562,40,562,300", "--sheet", "10,10,90,10,90,60,10,60"],
        "clipmark angle: board.mp4, frame 2: a sheet needs its corners and its size, but "
        "--sheet-size is missing; add it",
    ),
    "a lens file that is not there": (
        ["--plumb", "562,40,562,300", "--lens", "nowhere.json"],
        "clipmark angle: board.mp4, frame 2: the lens file nowhere.json cannot be read (No such "
        "file or directory); check its path",
    ),
    "a facing that is neither": (
        ["--plumb", "562,40,562,300", "--facing", "north"],
        "clipmark angle: board.mp4, frame 2: the truck cannot face 'north'; give left or right",
    ),
    "details without a folder": (
        ["--plumb", "562,40,562,300", "--entry", "marten"],
        "clipmark angle: details of an attempt were given, but not where to save it; add --into "
        "FOLDER, or leave them out",
    ),
}


@pytest.mark.parametrize("case", REFUSALS)
def test_bad_input_is_refused_in_one_sentence_with_status_2(clipmark, drawn_clip, case):
    extra, sentence = REFUSALS[case]
    ran = clipmark(*drawn_clip.angle, *extra, "--json")
    assert (ran.status, ran.out) == (2, "")
    assert ran.err == sentence + "\n"


def test_an_option_that_does_not_exist_is_refused_with_the_way_to_help(clipmark, drawn_clip):
    """The option parser words the middle; it differs between its releases."""
    ran = clipmark(*drawn_clip.angle, "--plum", "562,40,562,300", "--json")
    assert (ran.status, ran.out) == (2, "")
    assert ran.err.startswith("clipmark angle: No such option: --plum")
    assert ran.err.endswith("; see clipmark angle --help\n")


def test_a_frame_that_is_not_there_is_refused(clipmark, drawn_clip):
    ran = clipmark(
        "angle", drawn_clip.path, "--frame", "99", "--ramp", drawn_clip.ramp, "--plumb",
        drawn_clip.plumb,
    )  # fmt: skip
    assert ran.status == 2
    assert "frame 99" in ran.err
    assert ran.err.count("\n") == 1


def test_a_lens_file_of_another_shape_is_refused(clipmark, drawn_clip, tmp_path):
    lens = {
        "model": "ordinary", "fx": 900, "fy": 900, "cx": 640, "cy": 480,
        "distortion": {"k1": 0, "k2": 0, "p1": 0, "p2": 0, "k3": 0}, "image_size": [1280, 960],
    }  # fmt: skip
    path = tmp_path / "lens.json"
    path.write_text(json.dumps(lens))
    ran = clipmark(*drawn_clip.angle, "--plumb", drawn_clip.plumb, "--lens", path)
    assert ran.status == 2
    assert "1280 x 960" in ran.err
    assert "640 x 360" in ran.err
