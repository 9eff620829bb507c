"""``clipmark crawl`` beside the main job: wheels, chart, grade, and what to expect."""

import json

import pytest

from clipmark.sample.media import sample_media_folder

MEDIA = sample_media_folder()
NAME = "siskin-stall"


@pytest.fixture(scope="module")
def options():
    """The operator's marks of the sample clip as command-line options, its wheels among them."""
    marks = json.loads((MEDIA / "marks" / f"{NAME}.json").read_text())
    truth = json.loads((MEDIA / "truth" / f"{NAME}.json").read_text())
    found = ["--frame", str(marks["frame"])]
    for name in ("patch", "scale", "scale_mm"):
        value = marks[name]
        text = ",".join(map(str, value)) if isinstance(value, list) else str(value)
        found += [f"--{name.replace('_', '-')}", text]
    for cx, cy, rx, ry, turn in truth["wheels"]:
        found += ["--wheel", f"{cx + 3:.1f},{cy - 4:.1f},{rx:.1f},{ry:.1f},{turn:.1f}"]
    return [*found, "--wheel-mm", str(truth["wheel_mm"])]


@pytest.fixture(scope="module")
def clip():
    return MEDIA / f"{NAME}.mp4"


@pytest.fixture
def event_with(clipmark, tmp_path):
    """Make an event folder whose rule sheet has a smoothness test "even" of the given lines."""

    def make(lines):
        event = tmp_path / "event"
        assert clipmark("start", event).status == 0
        with (event / "event.toml").open("a", encoding="utf-8") as sheet:
            sheet.write('\n[[test]]\nid = "even"\nkind = "smoothness"\n' + lines)
        return event

    return make


@pytest.mark.slow
def test_wheels_chart_and_grade_in_one_go(clipmark, options, clip, event_with, tmp_path):
    """Two wheels, a trace with their columns, a chart, and the grade of a rule sheet that is not
    saved to."""
    event = event_with('measure = "stalls"\ngrade_below = [[0.5, 3], [2.5, 2]]\ngrade_else = 1\n')
    chart, trace = tmp_path / "stall.svg", tmp_path / "stall.csv"
    done = clipmark(
        "crawl", clip, *options, "--chart", chart, "--trace", trace, "--rules", event, "--test",
        "even", "--json",
    )  # fmt: skip
    assert done.status == 0, done.err
    result = json.loads(done.out)
    assert [wheel["wheel"] for wheel in result["wheels"]] == [1, 2]
    assert result["grade"]["grade"] == 2
    assert sum(result["grade"]["p"].values()) == pytest.approx(1)
    assert trace.read_text().startswith(
        "t_s,s_mm,u_s_mm,v_mm_s,u_v_mm_s,wheel1_deg,wheel1_deg_s,slip1,wheel2_deg,wheel2_deg_s,"
        "slip2,braking1,"
    )
    assert chart.read_text(encoding="utf-8").lstrip().startswith("<?xml")
    assert not (event / "attempts.csv").exists()


@pytest.mark.slow  # the page and the sample event hold the same
def test_band_and_hold_time_are_those_of_the_rule_sheet(clipmark, options, clip, event_with):
    """When graded and when saved alike, unless others are asked for: the grade is not told then."""
    in_a_band = event_with(
        'measure = "ripple"\nband_hz = [1, 8]\nhold_s = 1.5\n'
        "grade_below = [[0.1, 3], [9, 2]]\ngrade_else = 1\n"
    )
    asked = ("crawl", clip, *options, "--json")
    graded = json.loads(clipmark(*asked, "--rules", in_a_band, "--test", "even").out)
    assert (graded["ripple_band_hz"], graded["settings"]["hold_s"]) == ([1, 8], 1.5)
    assert graded["grade"]["grade"] is not None
    into = ("--into", in_a_band, "--test", "even", "--entry", "Siskin", "--by", "A. Judge")
    saved = json.loads(clipmark(*asked, *into).out)
    assert saved["ripple_band_hz"] == [1, 8]
    again = ("--into", in_a_band, "--attempt", saved["saved"]["attempt"], "--by", "A. Judge")
    assert json.loads(clipmark(*asked, *again).out)["ripple_band_hz"] == [1, 8]
    other = clipmark(*asked, "--band", "0.5:5", "--rules", in_a_band, "--test", "even")
    told = json.loads(other.out)
    assert told["ripple_band_hz"] == [0.5, 5]
    assert told["grade"]["grade"] is None
    assert told["grade"]["said"] == (
        "No grade: the ripple was taken from 0.5 to 5 Hz, but the rule sheet grades it from 1 to "
        "8 Hz; measure again in that band."
    )


def test_what_to_expect_is_told_without_measuring(clipmark, options, clip):
    """Floors fall with speed, wheels and slip among them, and nothing of the span is measured."""
    done = clipmark("crawl", clip, *options, "--expect", "--json")
    assert done.status == 0, done.err
    found = json.loads(done.out)
    assert found["expected"] is True
    assert "mean_speed_mm_s" not in found
    floors = [item["noise_floor_mm_s"] / item["speed_mm_s"] for item in found["at"]]
    assert floors == sorted(floors, reverse=True)
    assert len(found["turn_u_deg"]) == 2
    assert all(0 < slip < 10 for slip in found["slip_above_mm_s"])


@pytest.mark.parametrize(
    ("extra", "says"),
    [
        (["--chart", "x.gif"], "the chart x.gif is neither .png nor .svg"),
        (["--wheel", "10,20"], "the wheel '10,20' cannot be read: write it as cx,cy,rx,ry"),
        (["--facing", "up"], "the truck cannot face 'up'; give left or right"),
        (["--wheel-mm", "-3"], "the wheel diameter is -3 mm; give one above 0 mm"),
        (["--rules", "."], "grading needs the test; name it as the rule sheet does (--test)"),
    ],
)
def test_what_cannot_be_used_is_refused_in_a_sentence(clipmark, options, clip, extra, says):
    done = clipmark("crawl", clip, *options, *extra)
    assert done.status == 2
    assert says in " ".join(done.err.split())
    assert "Traceback" not in done.err
