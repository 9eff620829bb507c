"""``clipmark batch`` gives what the single verbs give, once each, whatever else is refused."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from clipmark.batch_results import DONE
from clipmark.cli.batch_call import call_verb
from clipmark.cli.batch_run import Batch, ResultsFile, Row, Where
from clipmark.cli.batch_save import save_put_off
from clipmark.cli.batch_tasks import REPLAY, Task, attempts_as_tasks, make_ready
from clipmark.cli.batch_work import Job, work
from clipmark.record.folder import EventFolder
from clipmark.sample.media import sample_media_folder

MEDIA = sample_media_folder()
SQUARE = ["--square-within", "0.5"]
SIGNED = ["--entry", "Siskin", "--test", "ladder", "--try", "1", "--by", "Fell"]


@pytest.fixture
def event(clipmark, tmp_path):
    """An event folder without attempts."""
    folder = tmp_path / "tarn-hollow"
    assert clipmark("start", folder).status == 0
    return folder


@pytest.fixture
def angle(drawn_clip):
    """Options of an angle on the drawn clip."""
    return [*drawn_clip.angle[2:], "--plumb", drawn_clip.plumb, *SQUARE]


def test_each_task_is_done_once_and_comes_out_as_from_its_verb(clipmark, drawn_clip, tmp_path):
    """One is measured, letter for letter as the verb prints it; two are refused with its
    sentence and stop nothing; the second run measures nothing again."""
    clip = drawn_clip.path
    rows = [
        f"footage,{clip},--quick",
        f"angle,{clip},--frme 2",
        "footage,gone.mp4,",
        f"footage,{clip},--quick --json",
    ]
    tasks = tmp_path / "bench.csv"
    tasks.write_text("verb,clip,options\n" + "\n".join(rows) + "\n")
    ran = clipmark("batch", tasks, "--json")
    assert ran.status == 2, ran.err
    report = ran.json
    assert [row["status"] for row in report["rows"]] == ["done", "refused", "refused", "done"]
    lines = (tmp_path / "bench.results.jsonl").read_text("utf-8").splitlines()
    assert len(lines) == 3  # the same task twice is done once
    printed = clipmark("footage", clip, "--quick", "--json").out.rstrip("\n")
    assert sum(printed in line for line in lines) == 1
    assert json.dumps(report["rows"][0]["result"], ensure_ascii=False) == printed
    assert f"clipmark angle: {report['rows'][1]['sentence']}\n" == (
        clipmark("angle", clip, "--frme", "2").err
    )
    assert report["rows"][2]["sentence"] == (
        "gone.mp4 does not exist; check the name and the folder"
    )
    again = clipmark("batch", tasks, "--json").json
    assert [row["status"] for row in again["rows"]] == [
        "done_before", "refused", "refused", "done_before",
    ]  # fmt: skip
    assert again["rows"][0]["result"] == report["rows"][0]["result"]


def test_a_key_changes_with_everything_that_the_result_hangs_on(drawn_clip, angle, tmp_path):
    """Same options in other words: the same task. Another option, clip or lens content: another."""
    clip, lens = tmp_path / "a.mp4", tmp_path / "lens.json"
    content = drawn_clip.path.read_bytes()

    def key(*more):
        return make_ready(Task(1, "angle", "a.mp4", (*angle, *more), tmp_path)).key

    clip.write_bytes(content)
    lens.write_text("{}")
    plain, lensed = key(), key("--lens", "lens.json")
    (tmp_path / "b.mp4").write_bytes(content)
    moved = make_ready(Task(9, "angle", "b.mp4", tuple(angle), tmp_path, "another name"))
    assert moved.key == plain
    assert key("--json") == plain
    assert key("--square-within=0.5") == plain
    assert len({plain, lensed, key("--no-edge-fit"), key("--square-within", "1")}) == 4
    lens.write_text("{ }")
    assert key("--lens", "lens.json") != lensed
    clip.write_bytes(content + b"\0")
    assert key() != plain


def test_a_reading_is_saved_by_one_process_and_once(clipmark, drawn_clip, angle, event):
    """A worker only measures; saving gives what the verb gives; a batch that ended between saving
    and saying so does not save again."""
    options = (*angle, *SIGNED, "--into", str(event))
    ready = make_ready(Task(1, "angle", str(drawn_clip.path), options, event))
    called = call_verb("angle", ready.parsed.arguments, ready.paths)
    result = json.loads(called.text)
    assert EventFolder.open(event).attempts() == []
    first = save_put_off(called.to_save[0], ready, result, maybe_saved=False)
    assert first["saved"] == {"attempt": "a0001", "revision": 1, "seq": first["saved"]["seq"]}
    assert save_put_off(called.to_save[0], ready, result, maybe_saved=True) == first
    assert [saved.id for saved in EventFolder.open(event).attempts()] == ["a0001"]
    printed = clipmark("angle", drawn_clip.path, *options, "--json").json
    assert printed["saved"]["attempt"] == "a0002"
    assert {**printed, "saved": first["saved"]} == first


@pytest.mark.slow
def test_a_replay_in_a_batch_is_the_replay_of_the_attempt(clipmark, drawn_clip, angle, event):
    """Its key holds the attempt's line, so that a new revision is replayed again."""
    clipmark("angle", drawn_clip.path, *angle, *SIGNED, "--into", event)
    (task,) = attempts_as_tasks(event, REPLAY)
    ready = make_ready(task)
    outcome = work(Job(task.verb, ready.parsed.arguments, ready.paths))
    printed = clipmark("audit", "replay", event, "a0001", "--json").out
    assert outcome.called.text + "\n" == printed
    assert json.loads(printed)["agrees"] is True
    clipmark("attempts", event, "--revise", "a0001", "--note", "windy", "--by", "Marsh")
    assert make_ready(*attempts_as_tasks(event, REPLAY)).key != ready.key


REFUSED = {
    "no list": (["gone.toml"], "cannot read the list of tasks: it is not there; check the path"),
    "send without a cluster": (
        ["bench.csv", "--send"],
        "clips can be sent only to a cluster; name it (--cluster), or leave --send",
    ),
    "folder without a wish": (
        ["."],
        "it is not said what to do with the attempts of",
    ),
    "replay of a list": (
        ["bench.csv", "--replay"],
        "saved attempts lie in an event folder, but bench.csv is none; name the folder, or leave "
        "--replay and --evidence out",
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_be_begun_is_told(clipmark, tmp_path, monkeypatch, case):
    arguments, sentence = REFUSED[case]
    (tmp_path / "bench.csv").write_text("verb,clip\nfootage,a.mp4\n")
    monkeypatch.chdir(tmp_path)
    ran = clipmark("batch", *arguments)
    assert ran.status == 2
    assert sentence in ran.err


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_a_batch_that_is_stopped_goes_on_where_it_was(drawn_clip, tmp_path):
    """Ctrl-C after the first result finishes what runs and pauses; a kill loses what ran alone;
    in the end every task has one result."""
    clips = []
    for number in range(6):
        clips.append(tmp_path / f"run-{number}.mp4")
        clips[-1].write_bytes(drawn_clip.path.read_bytes() + bytes(number))
    tasks = tmp_path / "bench.csv"
    tasks.write_text("verb,clip\n" + "".join(f"footage,{clip.name}\n" for clip in clips))
    results = tmp_path / "bench.results.jsonl"
    command = [
        sys.executable, "-c", "from clipmark.cli import main\nmain()", "batch", str(tasks),
        "--processes", "2", "--json",
    ]  # fmt: skip

    def begin(lines):
        child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        until = time.monotonic() + 300
        while time.monotonic() < until and child.poll() is None:
            if results.exists() and results.read_bytes().count(b"\n") >= lines:
                break
            time.sleep(0.02)
        return child

    child = begin(1)
    child.send_signal(signal.SIGINT)
    out, _ = child.communicate(timeout=300)
    paused = json.loads(out)
    assert child.returncode == 130
    assert paused["paused"] is True
    assert 1 <= paused["done"] <= 4
    assert paused["left"] == 6 - paused["done"]
    child = begin(paused["done"] + 1)
    os.kill(child.pid, signal.SIGKILL)
    child.communicate(timeout=60)
    last = subprocess.run(command, capture_output=True, text=True, check=True)
    done = json.loads(last.stdout)
    assert done["done_before"] >= paused["done"] + 1
    assert done["done"] + done["done_before"] == 6
    keys = [json.loads(line)["key"] for line in results.read_text("utf-8").splitlines()]
    assert len(keys) == len(set(keys)) == 6


@pytest.mark.slow
def test_evidence_that_was_deleted_comes_back_to_the_byte(clipmark, tmp_path):
    """Trace and chart of a crawl, made by a batch from journal and clip."""
    event = tmp_path / "event"
    assert clipmark("start", event).status == 0
    marks = json.loads((MEDIA / "marks" / "siskin-stall.json").read_text())
    given = [
        item
        for name in ("frame", "patch", "scale", "scale_mm")
        for item in (
            f"--{name.replace('_', '-')}",
            ",".join(map(str, marks[name])) if isinstance(marks[name], list) else str(marks[name]),
        )
    ]
    ran = clipmark("crawl", MEDIA / "siskin-stall.mp4", *given, *SIGNED, "--into", event)
    assert ran.status == 0, ran.err
    kept = {path: path.read_bytes() for path in (event / "evidence").rglob("*.csv")}
    assert kept
    for path in list((event / "evidence").rglob("*.*")):
        path.unlink()
    ran = clipmark("batch", event, "--evidence", "--json")
    assert ran.status == 0, ran.err
    assert {path: path.read_bytes() for path in kept} == kept
    assert list((event / "evidence").rglob("*.svg"))
    again = clipmark("batch", event, "--evidence", "--json").json
    assert again["done_before"] == 1


def test_a_finished_batch_starts_no_process(drawn_clip, tmp_path, monkeypatch):
    """Everything is done: the results are told from the file alone."""
    task = Task(1, "footage", str(drawn_clip.path), ("--quick",), Path(tmp_path))
    monkeypatch.setattr("clipmark.cli.batch_run.run_on_cores", None)
    with ResultsFile(tmp_path / "r.jsonl") as results:
        results.add(make_ready(task).key, DONE, 1, {}, '"result": {}')
        (row,) = Batch([task], results, Where()).run()
    assert row == Row(task, make_ready(task).key, "done before")
