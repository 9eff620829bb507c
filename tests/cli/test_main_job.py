"""From clip to attempts file by the command line alone, on a committed clip."""

import csv
import json
import subprocess
import sys
import zipfile

import pytest

from clipmark.sample.media import sample_media_folder

MEDIA = sample_media_folder()
NAME = "whinfell-creep-varying"


def options(names: tuple[str, ...]) -> list[str]:
    """The operator's marks of the sample clip as command-line options."""
    marks = json.loads((MEDIA / "marks" / f"{NAME}.json").read_text())
    found = ["--frame", str(marks["frame"])]
    for name in names:
        if name in marks:
            value = marks[name]
            text = ",".join(map(str, value)) if isinstance(value, list) else str(value)
            found += [f"--{name.replace('_', '-')}", text]
    return found


ANGLE = options(("ramp", "hubs", "level", "plumb", "rim_px", "square_within"))
CRAWL = options(("patch", "travel", "scale", "scale_mm", "square_within"))


@pytest.fixture
def event(clipmark, tmp_path):
    folder = tmp_path / "spring"
    assert clipmark("start", folder, "--name", "Spring trial").status == 0
    return folder


@pytest.fixture
def clip():
    return MEDIA / f"{NAME}.mp4"


def read_attempts(event):
    with (event / "attempts.csv").open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_a_clip_goes_in_and_a_row_for_the_scorer_comes_out(clipmark, event, clip, tmp_path):
    first = clipmark(
        "angle", clip, *ANGLE, "--into", event, "--entry", "Whinfell", "--test", "creep", "--try",
        "1", "--by", "M. Fell", "--verdict", "cleared", "--json",
    )  # fmt: skip
    assert first.status == 0, first.err
    trace = tmp_path / "trace.csv"
    second = clipmark(
        "crawl", clip, *CRAWL, "--into", event, "--attempt", "a0001", "--by", "M. Fell",
        "--trace", trace, "--json",
    )  # fmt: skip
    assert second.status == 0, second.err
    (row,) = read_attempts(event)
    assert (row["attempt"], row["revision"], row["entry"]) == ("a0001", "2", "Whinfell")
    assert float(row["ramp_deg"]) == pytest.approx(abs(first.json["ramp_deg"]), abs=1e-5)
    assert float(row["mean_speed_mm_s"]) == pytest.approx(second.json["mean_speed_mm_s"], rel=1e-5)
    assert row["verdict"] == "cleared"
    header = trace.read_text().splitlines()[0]
    assert header.startswith("t_s,s_mm,u_s_mm,v_mm_s,u_v_mm_s")


@pytest.mark.slow  # the demo makes the same claim of every sample clip
def test_the_known_truth_lies_in_the_stated_intervals(clipmark, clip):
    truth = json.loads((MEDIA / "truth" / f"{NAME}.json").read_text())
    angle = clipmark("angle", clip, *ANGLE, "--json").json
    crawl = clipmark("crawl", clip, *CRAWL, "--json").json
    assert angle["ramp_low95_deg"] <= truth["ramp_deg"] <= angle["ramp_high95_deg"]
    speed = truth["motion"]["mean_speed_mm_s"]
    assert crawl["mean_speed_low95_mm_s"] <= speed <= crawl["mean_speed_high95_mm_s"]
    assert crawl["stalls"] == []


def test_a_backup_holds_journal_and_attempts_file(clipmark, event, tmp_path):
    called = clipmark(
        "attempts", event, "--new", "--entry", "Dipper", "--test", "ladder", "--verdict", "failed",
        "--reason", "spun", "--by", "R. Tarn",
    )  # fmt: skip
    assert called.status == 0, called.err
    target = tmp_path / "spring.zip"
    assert clipmark("attempts", event, "--backup", target).status == 0
    with zipfile.ZipFile(target) as archive:
        names = {name.split("/")[-1] for name in archive.namelist()}
    assert {"journal.jsonl", "attempts.csv", "attempts.schema.json", "event.toml"} <= names


def test_revising_keeps_the_old_verdict_in_the_history(clipmark, event):
    clipmark("attempts", event, "--new", "--entry", "Dipper", "--test", "ladder", "--by", "R. Tarn")
    ran = clipmark(
        "attempts", event, "--revise", "a0001", "--verdict", "cleared", "--by", "R. Tarn"
    )
    assert ran.status == 0, ran.err
    history = clipmark("attempts", event, "--history", "a0001", "--json").json["history"]
    assert [line["body"].get("verdict") for line in history] == [None, "cleared"]


def test_the_history_says_what_a_revision_changed(clipmark, event):
    clipmark("attempts", event, "--new", "--entry", "Siskin", "--test", "creep", "--by", "M. Fell")
    clipmark("attempts", event, "--revise", "a0001", "--verdict", "failed", "--reason",
             "out-of-time", "--by", "M. Fell")  # fmt: skip
    told = clipmark("attempts", event, "--history", "a0001").out
    changed = told[told.index("What revision 2 changed") :].split("\n")
    rows = [line.split("\N{BOX DRAWINGS LIGHT VERTICAL}")[1:-1] for line in changed]
    rows = [[cell.strip() for cell in row] for row in rows if row]
    assert rows == [["verdict", "not given", "failed"], ["reason", "not given", "out of time"]]


def test_footage_says_what_the_file_is(clipmark, clip):
    found = clipmark("footage", clip, "--quick", "--json").json
    assert (found["width"], found["height"], found["frame_count"]) == (1280, 720, 96)
    assert any(item["code"] == "variable-rate" for item in found["findings"])


@pytest.mark.slow  # `.ci/run` runs it always
def test_demo_measures_every_attempt_and_the_truth_lies_inside(tmp_path):
    call = [sys.executable, "-c", "from clipmark.cli import main; main()"]
    ran = subprocess.run(
        [*call, "demo", str(tmp_path / "hollow"), "--json"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    rows = json.loads(ran.stdout)["readings"]
    assert len({row["clip"] for row in rows}) == 12
    assert {
        "ramp, deg", "chassis, deg", "mean speed, mm/s", "ripple", "stalls",
        "tilt at first motion, deg", "tilt at the gap, deg", "centre of gravity, mm",
        "progress, mm", "slid back, mm", "reverse",
    } <= {row["what"] for row in rows}  # fmt: skip
    outside = [row for row in rows if not row["inside"]]
    assert len(outside) <= 2, outside  # of some forty 95 % intervals, two may miss
    assert [row["value"] for row in rows if row["what"] == "reverse"] == [
        "reversed",
        "not reversed",
    ]
    assert len(read_attempts(tmp_path / "hollow")) == 12
    charts = {path.name for path in (tmp_path / "hollow" / "report" / "charts").iterdir()}
    assert {"a0006-tilt.svg", "a0010-climb.svg"} <= charts


CRAWL_REFUSALS = {
    "a span that runs backwards": (
        [*CRAWL, "--span", "90:10"],
        "the span 90:10 runs backwards; give the earlier frame first",
    ),
    "a patch outside the picture": (
        [
            "--frame",
            "0",
            "--patch",
            "1250,700,60,60",
            "--scale",
            "10,10,200,10",
            "--scale-mm",
            "50",
        ],
        "the patch has a point at (1309, 759), outside the picture of 1280 x 720 px; mark it "
        "inside",
    ),
    "no scale": (
        ["--frame", "0", "--patch", "600,300,60,60", "--scale-mm", "50"],
        None,
    ),
    "a band that is none": (
        [*CRAWL, "--band", "five"],
        "the band 'five' cannot be read: write it as LOW:HIGH in Hz, such as 0.5:5",
    ),
}


@pytest.mark.parametrize("case", CRAWL_REFUSALS)
def test_a_crawl_of_bad_input_is_refused_in_one_sentence(clipmark, clip, case, tmp_path):
    arguments, sentence = CRAWL_REFUSALS[case]
    trace = tmp_path / "trace.csv"
    ran = clipmark("crawl", clip, *arguments, "--trace", trace, "--json")
    assert (ran.status, ran.out) == (2, "")
    assert ran.err.count("\n") == 1
    assert not trace.exists()
    if sentence is not None:
        assert ran.err == f"clipmark crawl: {NAME}.mp4, frame 0: {sentence}\n"


@pytest.mark.parametrize("verb", ["footage", "angle", "crawl"])
@pytest.mark.parametrize("content", [b"", b"not a video at all, only words\n" * 50])
def test_what_is_no_clip_is_refused_by_every_verb(clipmark, tmp_path, verb, content):
    path = tmp_path / "bad.mp4"
    path.write_bytes(content)
    more = {
        "footage": [],
        "angle": ["--frame", "0", "--ramp", "0,0,100,0", "--plumb", "5,5,5,90"],
        "crawl": ["--frame", "0", "--patch", "0,0,50,50", "--scale", "0,0,90,0", "--scale-mm", "9"],
    }[verb]
    ran = clipmark(verb, path, *more)
    assert (ran.status, ran.out) == (2, "")
    assert ran.err.startswith(f"clipmark {verb}: ")
    assert "bad.mp4" in ran.err
    assert ran.err.count("\n") == 1


def test_a_second_event_in_the_same_folder_is_refused(clipmark, event):
    ran = clipmark("start", event)
    assert ran.status == 2
    assert "Traceback" not in ran.err
    assert ran.err.count("\n") == 1
