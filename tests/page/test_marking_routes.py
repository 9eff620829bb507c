"""What the page measures is what the command line measures; while a point moves, a quick look."""

import json
import time

import pytest
from typer.testing import CliRunner

from clipmark.cli.app import application
from clipmark.marks_file import MarksFile
from clipmark.page.shelf import Shelf
from tests.page import marking_kit as kit

CLIMB, STALL = "siskin-climb", "siskin-stall"
JOB_S = 60.0
OF_VERB = {
    "angle": ("ramp", "hubs", "level", "plumb", "sheet"),
    "crawl": ("patch", "travel", "scale", "sheet"),
}


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    with kit.sample_page(tmp_path_factory.mktemp("marking")) as client:
        yield client


def joined(line) -> str:
    return ",".join(str(value) for value in line)


def by_command_line(page, verb: str, name: str, marks: dict, *more: str) -> dict:
    """The same marks given to a verb, as an operator would type them."""
    event = page.desk.event_path
    words = [verb, str(event / "clips" / f"{name}.mp4"), "--frame", str(marks["frame"]), "--json"]
    for mark in OF_VERB[verb]:
        words += [f"--{mark}", joined(marks[mark])] if mark in marks else []
    if verb == "angle" and "rim_px" in marks:
        words += ["--rim-px", str(marks["rim_px"])]
    if verb == "crawl":
        words += ["--span", f"{marks['span'][0]}:{marks['span'][1]}"]
        words += ["--scale-mm", str(marks["scale_mm"])] if "scale_mm" in marks else []
        for wheel in marks.get("wheels", []):
            words += ["--wheel", joined(wheel)]
        words += ["--wheel-mm", str(marks["wheel_mm"])] if "wheel_mm" in marks else []
        words += ["--facing", MarksFile.of(marks, event / "lenses").nose or ""]
    if "sheet_size" in marks:
        words += ["--sheet-size", "x".join(str(side) for side in marks["sheet_size"])]
    if "lens" in marks:
        words += ["--lens", str(event / "lenses" / marks["lens"])]
    if "square_within" in marks:
        words += ["--square-within", str(marks["square_within"])]
    done = CliRunner().invoke(application(), [*words, *more])
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def followed_to_the_end(page, job: str) -> list[dict]:
    """Every answer while a job is polled, the last one with its end."""
    answers, after, end = [], 0, time.monotonic() + JOB_S
    while time.monotonic() < end:
        answer = page.get(f"/api/jobs/{job}", params={"after": after}).json()
        after += len(answer["followed"])
        answers.append(answer)
        if answer["state"] != "running":
            return answers
        time.sleep(0.02)
    raise AssertionError("the job did not end")


def crawl(page, name: str, marks: dict) -> list[dict]:
    asked = page.post(f"/api/clips/{kit.clip_of(page, name)}/crawl", json={"marks": marks})
    assert asked.status_code == 202, asked.text
    return followed_to_the_end(page, asked.json()["job"])


def test_the_angle_is_the_command_line_s_on_the_same_marks_to_the_last_digit(page):
    """Lens, plumb, hubs and a promise; 1080p."""
    marks = kit.marks_of(CLIMB)
    sha = kit.clip_of(page, CLIMB)
    found = page.post(f"/api/clips/{sha}/angle", json={"marks": marks}).json()
    assert found == by_command_line(page, "angle", CLIMB, marks)


def test_the_crawl_is_the_command_line_s_on_the_same_marks_to_the_last_digit(page):
    marks = kit.marks_of(STALL)
    found = crawl(page, STALL, marks)[-1]
    assert found["state"] == "done", found["error"]
    assert found["result"] == by_command_line(page, "crawl", STALL, marks)


@pytest.mark.slow
def test_a_crawl_tells_where_the_body_is_while_it_is_followed(page):
    marks = kit.marks_of(STALL) | {"span": [0, 150]}
    answers = crawl(page, STALL, marks)
    told = [item for answer in answers for item in answer["followed"]]
    assert [item["frame"] for item in told] == list(range(151))
    assert told[0]["along_px"] == pytest.approx(0, abs=0.5)
    assert told[-1]["along_px"] > 50
    last = answers[-1]
    assert (last["done"], last["total"]) == (151, 151)
    assert len(last["trace"]["t_s"]) == len(last["trace"]["v_mm_s"]) == 151
    assert any(answer["state"] == "running" and answer["done"] for answer in answers)


@pytest.mark.slow
def test_a_crawl_can_be_stopped_and_started_again(page):
    marks = kit.marks_of(STALL) | {"span": [0, 201]}
    sha = kit.clip_of(page, STALL)
    job = page.post(f"/api/clips/{sha}/crawl", json={"marks": marks}).json()["job"]
    assert page.post(f"/api/jobs/{job}/stop").status_code == 204
    last = followed_to_the_end(page, job)[-1]
    assert (last["state"], last["result"], last["error"]) == ("stopped", None, None)
    assert last["done"] < 202
    again = page.post(f"/api/clips/{sha}/crawl", json={"marks": marks}).json()["job"]
    assert again != job
    assert followed_to_the_end(page, again)[-1]["state"] == "done"


def test_a_crawl_of_the_same_marks_is_not_measured_twice(page):
    marks = kit.marks_of(STALL) | {"span": [0, 100]}
    first = crawl(page, STALL, marks)[-1]
    sha = kit.clip_of(page, STALL)
    # The angle's marks do not enter: it is the same question.
    other = marks | {"ramp": [1, 1, 400, 1]}
    job = page.post(f"/api/clips/{sha}/crawl", json={"marks": other}).json()["job"]
    answer = page.get(f"/api/jobs/{job}").json()
    assert (answer["state"], answer["result"]) == ("done", first["result"])


@pytest.mark.slow
def test_a_crawl_with_wheels_is_another_question_and_tells_how_they_turn(page):
    marks = kit.marks_of(STALL) | {"span": [0, 100]}
    rear_x, rear_y, front_x, front_y = marks["hubs"]
    rims = [[x, y, 25.1, 25.1, 0.0] for x, y in ((rear_x, rear_y), (front_x, front_y))]
    plain, turning = (
        crawl(page, STALL, marks | more)[-1]
        for more in ({"wheels": [], "wheel_mm": None}, {"wheels": rims, "wheel_mm": 54.0})
    )
    assert turning["state"] == "done", turning["error"]
    assert "wheel1_deg_s" not in plain["trace"]
    for name in ("wheel1_deg_s", "wheel2_surface_mm_s", "slip1"):
        assert len(turning["trace"][name]) == 101
    assert {item["wheel"] for item in turning["result"]["slip"]} == {1, 2}


@pytest.mark.slow
def test_of_the_hubs_a_crawl_takes_only_where_the_nose_points(page):
    marks = kit.marks_of(STALL) | {"span": [0, 100]}
    sha = kit.clip_of(page, STALL)
    first = page.post(f"/api/clips/{sha}/crawl", json={"marks": marks}).json()["job"]
    x1, y1, x2, y2 = marks["hubs"]
    moved, turned = [x1 + 2, y1, x2, y2], [x2, y2, x1, y1]
    asked = [
        page.post(f"/api/clips/{sha}/crawl", json={"marks": marks | {"hubs": hubs}}).json()["job"]
        for hubs in (moved, turned)
    ]
    assert asked[0] == first
    assert asked[1] != first
    followed_to_the_end(page, asked[1])


def test_a_finished_crawl_is_graded_for_the_test_that_is_asked_for(page):
    marks = kit.marks_of(STALL) | {"span": [0, 100]}
    sha = kit.clip_of(page, STALL)
    crawl(page, STALL, marks)
    job = page.post(f"/api/clips/{sha}/crawl", json={"marks": marks}).json()["job"]
    graded = page.get(f"/api/jobs/{job}", params={"test": "creep"}).json()["result"]["grade"]
    assert (graded["test"], graded["measure"]) == ("creep", "ripple")
    assert graded["said"]
    for test in ("board ladder", "unheard of"):
        answer = page.get(f"/api/jobs/{job}", params={"test": test}).json()
        assert answer["result"]["grade"] is None


@pytest.mark.slow
def test_a_crawl_is_measured_in_the_band_of_the_test_it_is_asked_for(page):
    """Another test with another band is another question; the sheet says which that is."""
    marks = kit.marks_of(STALL) | {"span": [0, 100]}
    sheet = page.desk.event_path / "event.toml"
    held = sheet.read_text(encoding="utf-8")
    narrow = '\n[[test]]\nid = "narrow"\nkind = "smoothness"\nband_hz = [1, 4]\nhold_s = 1\n'
    sheet.write_text(held + narrow, encoding="utf-8")
    try:
        tests = {test["id"]: test for test in page.get("/api/event").json()["tests"]}
        assert tests["narrow"]["terms"] == {"hold_s": 1.0, "band_hz": [1.0, 4.0]}
        asked = f"/api/clips/{kit.clip_of(page, STALL)}/crawl"
        jobs = [
            page.post(asked, json={"marks": marks, "test": test}).json()["job"]
            for test in ("creep", "board ladder", "narrow")
        ]
        assert jobs[0] == jobs[1]  # one says nothing, the other what is usual
        assert jobs[2] != jobs[0]
        found = followed_to_the_end(page, jobs[2])[-1]["result"]
        assert (found["ripple_band_hz"], found["settings"]["hold_s"]) == ([1, 4], 1)
    finally:
        sheet.write_text(held, encoding="utf-8")


def test_a_crawl_that_cannot_be_followed_says_why(page):
    marks = kit.marks_of(STALL) | {"patch": [3, 3, 5, 5]}
    answer = crawl(page, STALL, marks)[-1]
    assert answer["state"] == "failed"
    assert answer["error"] == (
        "the patch is 5 x 5 px, but at least 12 px a side is needed; mark a larger part of the body"
    )


def test_a_live_angle_is_quick_and_the_same_as_with_lines_as_marked(page):
    """13 ms on two quiet cores at 1080p; held here to a part of the whole measurement beside it.

    The quickest of each counts: what other programs take from the machine is not the page's.
    """
    marks = kit.marks_of(CLIMB)
    sha = kit.clip_of(page, CLIMB)
    taken = {True: [], False: []}
    for step in range(1, 9):
        marks["ramp"][1] += 0.1 * step  # marks never measured before: nothing is remembered
        for live in (False, True) if step % 5 == 0 else (True,):
            begun = time.perf_counter()
            answer = page.post(f"/api/clips/{sha}/angle", json={"marks": marks, "live": live})
            taken[live].append(time.perf_counter() - begun)
            found = answer.json()
    assert min(taken[True]) < 0.1 * min(taken[False])
    whole = by_command_line(page, "angle", CLIMB, marks, "--no-edge-fit")
    assert found["ramp_deg"] == whole["ramp_deg"]
    assert found["chassis_deg"] == whole["chassis_deg"]
    # 400 draws: the ends of the interval are good to about 8 % of its length.
    assert found["ramp_u95_deg"] == pytest.approx(whole["ramp_u95_deg"], rel=0.3)
    assert (found["budget"], found["linear"], found["draws"]) == ({}, {}, 400)


def test_one_line_is_fitted_on_demand(page):
    marks = kit.marks_of(CLIMB)
    sha = kit.clip_of(page, CLIMB)
    asked = {"frame": 0, "what": "plumb", "line": marks["plumb"], "lens": marks["lens"]}
    found = page.post(f"/api/clips/{sha}/fit", json=asked).json()
    assert found["edge_fit"]["kind"] == "string"
    assert found["u_angle_deg"] > 0
    assert found["runner_up_line"] is None
    assert found["picture_points"][0] == found["measured"][:2]
    hub = {"frame": 0, "what": "hub", "point": marks["hubs"][2:], "rim_px": marks["rim_px"]}
    found = page.post(f"/api/clips/{sha}/fit", json=hub).json()
    assert abs(found["radius_px"] - marks["rim_px"]) < 3


@pytest.mark.parametrize(
    ("asked", "sentence"),
    [
        ({"what": "ramp"}, "the ramp has no line; mark both its ends"),
        ({"what": "hub"}, "the hub has no point; mark its middle"),
        (
            {"what": "ramp", "line": [5, 5, 5000, 5]},
            "the ramp line has a point at (5000, 5), outside the picture of 1920 x 1080 px; mark "
            "it inside",
        ),
        (
            {"what": "ramp", "line": [5, 5, 500, 5], "lens": "other.json"},
            "there is no lens file other.json in the event's lenses/; put it there, or choose "
            "another",
        ),
    ],
)
def test_a_fit_that_cannot_be_is_refused_in_a_sentence(page, asked, sentence):
    sha = kit.clip_of(page, CLIMB)
    answer = page.post(f"/api/clips/{sha}/fit", json={"frame": 0, **asked})
    assert (answer.status_code, answer.json()["error"]) == (400, sentence)


@pytest.mark.parametrize(
    "lens",
    [
        "../event.toml",
        "/etc/passwd",
        "lenses/harrier-wide.json",
        "..\\x.json",
        ".json",
        "a\u0000.json",
    ],
)
def test_a_lens_is_a_plain_name_and_never_a_path(page, lens):
    sha = kit.clip_of(page, CLIMB)
    marks = kit.marks_of(CLIMB) | {"lens": lens}
    answer = page.post(f"/api/clips/{sha}/angle", json={"marks": marks})
    assert answer.status_code == 422
    assert "is not the plain name of a lens file" in answer.json()["error"]


@pytest.mark.parametrize(
    ("change", "status", "words"),
    [
        ({"ramp": None}, 400, "the marks name no ramp line; mark it"),
        ({"plumb": None}, 400, "neither a level line nor a plumb line was given"),
        ({"frame": 9_999}, 404, "frame 9999 is not in the clip"),
        ({"frame": -1}, 422, "frame"),
        ({"ramp": [1, 2, 3]}, 422, "ramp"),
        ({"ramp": [1e300, 2, 3, 4]}, 422, "ramp"),
        ({"unheard": 1}, 422, "unheard"),
    ],
)
def test_marks_that_mean_nothing_are_refused_in_a_sentence(page, change, status, words):
    sha = kit.clip_of(page, CLIMB)
    marks = kit.marks_of(CLIMB) | change
    answer = page.post(f"/api/clips/{sha}/angle", json={"marks": marks})
    assert answer.status_code == status
    assert words in answer.json()["error"]


def test_numbers_that_are_none_are_refused(page):
    """NaN is no JSON, but some programs send it."""
    sha = kit.clip_of(page, CLIMB)
    text = '{"marks": {"frame": 0, "ramp": [NaN, 1, 2, Infinity]}}'
    headers = {"content-type": "application/json"}
    answer = page.post(f"/api/clips/{sha}/angle", content=text, headers=headers)
    assert answer.status_code == 422


def test_of_a_clip_or_job_that_is_not_there_it_says_so(page):
    marks = kit.marks_of(CLIMB)
    for path in ("angle", "crawl"):
        answer = page.post(
            f"/api/clips/{'0' * 64}/{path}", json={"marks": marks | kit.marks_of(STALL)}
        )
        assert answer.status_code in (400, 404)
    assert page.get(f"/api/jobs/{'0' * 16}").status_code == 404
    assert page.post(f"/api/jobs/{'0' * 16}/stop").status_code == 404


def test_a_true_rate_scales_the_times_of_a_slow_motion_clip(page):
    """30 frames/s stored as taken at 120: the same way in a quarter of the time."""
    marks = kit.marks_of(STALL) | {"span": [0, 100]}
    usual = crawl(page, STALL, marks)[-1]["result"]
    slow = crawl(page, STALL, marks | {"true_fps": 240.0})[-1]["result"]
    sha = kit.clip_of(page, STALL)
    with page.desk.shelf.clip(sha) as clip:
        factor = 240.0 / float(clip.nominal_fps)
    assert usual["duration_s"] / slow["duration_s"] == pytest.approx(factor, rel=1e-6)
    assert slow["distance_mm"] == pytest.approx(usual["distance_mm"], rel=1e-3)


def test_a_refusal_on_the_page_names_no_option_of_the_command_line(page):
    """What is missing is named in words; the command line has its option in brackets as well."""
    sha = kit.clip_of(page, "siskin-stall")
    marks = kit.marks_of("siskin-stall") | {"scale": [312.0, 129.0, 611.0, 132.0]}
    marks.pop("scale_mm", None)
    started = page.post(f"/api/clips/{sha}/crawl", json={"marks": marks})
    assert followed_to_the_end(page, started.json()["job"])[-1]["error"] == (
        "a scale mark needs its length as well; give both"
    )
    upright = kit.marks_of("siskin-climb")
    upright["level"] = [500.0, 100.0, 500.0, 600.0]
    upright.pop("plumb", None)
    sha = kit.clip_of(page, "siskin-climb")
    refused = page.post(f"/api/clips/{sha}/angle", json={"marks": upright})
    assert refused.json()["error"] == (
        "the level line leans by 90.0 deg in the picture, but a level line cannot stand nearly "
        "upright; give it as a plumb line if it hangs, or mark another line"
    )


def test_a_live_angle_of_a_slow_motion_clip_opens_nothing(page, monkeypatch):
    """Its true rate moves no angle, and opening a clip reads the whole file."""
    marks = kit.marks_of(CLIMB)
    sha = kit.clip_of(page, CLIMB)
    asked = {"marks": marks, "live": True}
    plain = page.post(f"/api/clips/{sha}/angle", json=asked).json()
    monkeypatch.setattr(Shelf, "apart", lambda *given: pytest.fail("opened"))
    asked["marks"] = marks | {"true_fps": 240.0}
    slowed = page.post(f"/api/clips/{sha}/angle", json=asked).json()
    assert slowed["ramp_deg"] == plain["ramp_deg"]
