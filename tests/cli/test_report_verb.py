"""``clipmark report`` from the command line: what it writes, says and refuses."""

import json
from pathlib import Path

import pytest

from clipmark.cli.app import status_of
from clipmark.record.hidden_areas import HiddenArea, kept_areas
from tests.report.report_kit import make_event


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("verb") / "event"
    make_event(folder, ["Siskin", "Wren"]).close()
    return folder


def test_one_json_object_names_everything_that_was_written(folder, tmp_path, capsys):
    out = tmp_path / "out"
    asked = ["--attempt", "a0001", "--clips", "--side-by-side", "a0001", "a0002"]
    assert status_of(["report", str(folder), "--out", str(out), *asked, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["page"] == str(out / "report.html")
    assert {"report.html", "stills/a0001.jpg", "stills/a0002.jpg", "cards/siskin-lying.png",
            "cards/siskin-upright.png", "clips/a0001.mp4",
            "clips/side-by-side-a0001-a0002.mp4"} <= set(told["files"])  # fmt: skip
    assert "stills/a0003.jpg" not in told["files"]
    assert all((out / name).is_file() for name in told["files"])
    assert told["left_out"] == {}
    assert "clips/a0001.mp4, beside this page" in (out / "report.html").read_text()


def test_an_area_is_kept_with_the_clip_of_the_attempt_it_names(folder, tmp_path, capsys):
    blur = ["--blur", "a0001:20,20,70,40@0:9", "--keep-blur"]
    base = ["report", str(folder), "--out", str(tmp_path / "out"), "--attempt", "a0001"]
    assert status_of([*base, *blur]) == 0
    assert list(kept_areas(folder).values()) == [(HiddenArea(20, 20, 70, 40, 0, 9),)]
    assert status_of([*base, "--forget-blur"]) == 0
    assert kept_areas(folder) == {}
    assert "report: " in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--attempt", "a0099"], "there is no attempt a0099 in "),
        (["--blur", "1,2,3"], "the area to hide (--blur) '1,2,3' cannot be read"),
        (["--blur", "a0099:1,2,3,4"], "names attempt a0099, which is not there or has no clip"),
        (["--side-by-side", "a0001", "a0001"], "a0001 cannot be shown beside itself"),
        (["--keep-blur"], "there is no area to keep (--keep-blur); give one (--blur)"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_a_sentence(folder, capsys, arguments, sentence):
    assert status_of(["report", str(folder), *arguments]) == 2
    told = capsys.readouterr()
    assert sentence in told.err
    assert "Traceback" not in told.err
    assert not told.out


def test_a_folder_that_is_no_event_is_refused(tmp_path, capsys):
    assert status_of(["report", str(tmp_path)]) == 2
    assert "is not an event folder" in capsys.readouterr().err


def test_in_which_clip_an_area_lies_must_be_clear(tmp_path, capsys):
    folder = tmp_path / "event"
    with make_event(folder, ["Siskin"]) as event:
        other = tmp_path / "other.mp4"
        other.write_bytes(b"another clip")
        clip = event.add_clip(other)
        event.save_attempt({"entry": "Wren", "test": "creep", "clip": clip}, by="Fell")
    assert status_of(["report", str(folder), "--blur", "1,2,3,4"]) == 2
    assert (
        "it is not clear in which clip '1,2,3,4' lies; name an attempt before it, as in "
        "a0003:x,y,w,h (--blur), or show one attempt only (--attempt)"
    ) in capsys.readouterr().err
    # What is no footage is left out.
    assert status_of(["report", str(folder), "--attempt", "a0003", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert "No still is shown: " in told["left_out"]["a0003"][0]
