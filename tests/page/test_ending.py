"""Closing the page: all is let go, nothing is left, and nothing is printed but sentences."""

import os
import signal
import tempfile
import threading
import time
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from clipmark.errors import FolderError
from clipmark.page import practice as practice_module
from clipmark.page.app import event_app
from clipmark.page.desk import Desk
from clipmark.page.practice import Practice
from clipmark.record.folder import EventFolder
from tests.page import marking_kit as kit


@pytest.fixture(autouse=True)
def own_homes(tmp_path, monkeypatch):
    for name in kit.HOMES:
        monkeypatch.setenv(name, str(tmp_path / name.lower()))
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))


def practised(desk: Desk) -> TestClient:
    practice = Practice(event_app)
    app = event_app(desk, practice)
    app.mount("/practice", practice)
    return TestClient(app)


def left_over(tmp_path: Path) -> list[str]:
    return [path.name for path in tmp_path.glob("clipmark-practice-*")]


def test_practice_leaves_nothing_behind(empty_event, tmp_path):
    desk = Desk(empty_event)
    with practised(desk) as client:
        draft = {"holder": "one", "draft": kit.draft_of()}
        assert client.put(f"/practice/api/drafts/{kit.KEY}", json=draft).status_code == 200
        assert client.put(f"/api/drafts/{kit.KEY}", json=draft).status_code == 200
        assert len(left_over(tmp_path)) == 1
    assert left_over(tmp_path) == []
    assert [path.parent for path in tmp_path.rglob("xdg_state_home/**/*.json")] == [
        desk.drafts.folder
    ]


def test_a_sample_event_that_cannot_be_copied_is_a_sentence_and_leaves_nothing(
    empty_event, tmp_path, monkeypatch
):
    def full(*given):
        raise OSError(28, "No space left on device")

    with practised(Desk(empty_event)) as client:
        with monkeypatch.context() as patch:
            patch.setattr(practice_module.shutil, "copyfile", full)
            refused = client.get("/practice/api/event")
        assert refused.status_code == 507
        assert refused.json()["error"].endswith(
            "cannot copy the sample event: the disk is full; free some space and repeat, nothing "
            "was changed"
        )
        assert left_over(tmp_path) == []
        assert client.get("/practice/api/event").json()["practice"] is True


def test_after_closing_no_practice_begins(empty_event, tmp_path):
    practice = Practice(event_app)
    app = event_app(Desk(empty_event), practice)
    app.mount("/practice", practice)
    client = TestClient(app)
    practice.close()
    refused = client.get("/practice/api/event")
    assert refused.json() == {"error": "the page is being closed; start it again"}
    assert left_over(tmp_path) == []


def test_an_attempts_file_that_cannot_be_written_at_the_end_is_said_in_a_sentence(
    empty_event, monkeypatch, caplog
):
    def full(event):
        raise FolderError("attempts.csv: cannot be written: the disk is full; free some space")

    with TestClient(event_app(Desk(empty_event))):
        monkeypatch.setattr(EventFolder, "close", full)
    told = [(record.getMessage(), record.exc_info) for record in caplog.records]
    assert told == [
        (
            "clipmark mark: attempts.csv: cannot be written: the disk is full; free some space",
            None,
        )
    ]


def test_a_page_closed_while_a_crawl_is_waited_for_ends_and_signs_nothing(tmp_path):
    with kit.sample_page(tmp_path) as client:
        sha = kit.clip_of(client, "siskin-stall")
        draft = kit.draft_of(clip=sha, marks=kit.marks_of("siskin-stall"))
        asked = {"key": kit.KEY, "by": "M. Fell", "draft": draft}
        answers = []
        signing = threading.Thread(
            target=lambda: answers.append(client.post("/api/attempts/sign", json=asked))
        )
        signing.start()
        while not any(job.followed for job in client.desk.jobs._jobs.values()):
            assert signing.is_alive()
            time.sleep(0.01)
        client.desk.close()
        signing.join(20)
        assert not signing.is_alive()
        assert "it was stopped (nothing was signed" in answers[0].json()["error"]
        assert client.desk.event.attempts() == []


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_a_server_told_to_end_ends_and_prints_no_traceback(how, serve, empty_event, capfd):
    served = serve(empty_event)
    served.call("GET", "api/event")
    os.kill(served.process.pid, how)
    status = served.process.wait(15)
    assert status == (0 if how == signal.SIGINT else -signal.SIGTERM)
    assert "Traceback" not in capfd.readouterr().err
