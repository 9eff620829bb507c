"""Clips are taken in whole or not at all, under a safe name, once; and paired by their names."""

import asyncio
import os
import shutil
import threading
import time
from pathlib import Path
from typing import ClassVar

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clipmark.errors import RecordError
from clipmark.page import uploads
from clipmark.page.desk import Desk
from clipmark.page.uploads import safe_name
from clipmark.record import clips as record_clips
from clipmark.record.journal import Draft
from tests.page import marking_kit as kit

STALL = kit.MEDIA / "siskin-stall.mp4"


@pytest.fixture
def page(tmp_path):
    with kit.sample_page(tmp_path) as client:
        for clip in (client.desk.event_path / "clips").iterdir():
            clip.unlink()
        yield client


def clips(page) -> list[str]:
    """Everything in the folder, unfinished files as well."""
    return sorted(path.name for path in (page.desk.event_path / "clips").iterdir())


def take_in(page, name: str, content: bytes):
    return page.post("/api/clips", params={"name": name}, content=content)


def test_a_clip_that_was_sent_is_there_byte_for_byte(page):
    answer = take_in(page, "run 07.mp4", STALL.read_bytes())
    assert answer.status_code == 200
    clip = answer.json()
    assert (clip["name"], clip["readable"], clip["size_bytes"]) == (
        "run 07.mp4", True, STALL.stat().st_size,
    )  # fmt: skip
    assert (page.desk.event_path / "clips" / "run 07.mp4").read_bytes() == STALL.read_bytes()
    assert page.get("/api/clips").json()["clips"][0]["sha"] == clip["sha"]


def test_the_same_clip_sent_twice_is_one_clip(page):
    first = take_in(page, "run.mp4", STALL.read_bytes()).json()
    second = take_in(page, "again.mp4", STALL.read_bytes()).json()
    assert (second["sha"], second["name"]) == (first["sha"], "run.mp4")
    assert (first["here_already"], second["here_already"]) == (False, True)
    assert clips(page) == ["run.mp4"]


def test_another_clip_of_the_same_name_gets_a_number(page):
    take_in(page, "run.mp4", STALL.read_bytes())
    other = (kit.MEDIA / "siskin-climb.mp4").read_bytes()
    assert take_in(page, "run.mp4", other).json()["name"] == "run-2.mp4"
    assert clips(page) == ["run-2.mp4", "run.mp4"]


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "run.mp4 is empty (0 bytes); copy it from the camera again"),
        (
            b"not footage at all" * 100,
            "run.mp4 is not footage: no moving picture can be read in it; take the clip as the "
            "camera wrote it",
        ),
    ],
)
def test_what_is_not_footage_is_refused_and_leaves_nothing(page, content, sentence):
    answer = take_in(page, "run.mp4", content)
    assert (answer.status_code, answer.json()["error"]) == (400, sentence)
    assert clips(page) == []


def test_a_clip_that_was_cut_off_on_its_way_is_refused_and_leaves_nothing(page):
    answer = take_in(page, "run.mp4", STALL.read_bytes()[:200_000])
    assert answer.status_code == 400
    assert "run.mp4" in answer.json()["error"]
    assert clips(page) == []


def test_a_clip_larger_than_the_bound_is_refused_whether_it_says_so_or_not(page, monkeypatch):
    monkeypatch.setattr(uploads, "UPLOAD_BYTES", 1_000_000)

    def unannounced():
        yield STALL.read_bytes()

    for content in (STALL.read_bytes(), unannounced()):
        answer = take_in(page, "run.mp4", content)
        assert "the clip is larger than 0 GB, and nothing was taken in" in answer.json()["error"]
        assert clips(page) == []


def test_a_disk_without_room_is_a_sentence_and_leaves_nothing(page, monkeypatch):
    class Usage:
        free = uploads.SPARE_BYTES + 3_000_000

    monkeypatch.setattr(shutil, "disk_usage", lambda path: Usage)
    answer = take_in(page, "run.mp4", STALL.read_bytes() * 2)
    assert answer.json()["error"] == (
        "the disk has room for 3 MB more, and the clip is larger, so nothing was taken in; free "
        "some space and repeat"
    )
    assert clips(page) == []


def test_a_disk_that_fills_while_the_clip_comes_leaves_nothing(page, monkeypatch):
    def full(file, rest):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(uploads, "_finish", full)
    answer = take_in(page, "run.mp4", STALL.read_bytes())
    assert answer.status_code == 507
    assert "the disk is full" in answer.json()["error"]
    assert clips(page) == []


def test_sending_that_is_broken_off_leaves_nothing(page):
    """The browser was closed in the middle: the server is told that nobody listens any more."""
    messages = [
        {"type": "http.request", "body": STALL.read_bytes()[:5_000_000], "more_body": True},
        {"type": "http.disconnect"},
    ]
    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": "POST",
        "path": "/api/clips", "raw_path": b"/api/clips", "query_string": b"name=run.mp4",
        "root_path": "", "scheme": "http", "headers": [(b"host", b"testserver")],
        "client": ("127.0.0.1", 1), "server": ("testserver", 80), "state": {},
    }  # fmt: skip
    sent = []

    async def receive():
        return messages.pop(0) if messages else {"type": "http.disconnect"}

    async def send(message):
        sent.append(message)

    asyncio.run(page.app(scope, receive, send))
    assert clips(page) == []
    assert not any(message.get("status") == 200 for message in sent)


def test_a_request_that_is_called_off_leaves_nothing(page):
    """The server is being stopped while a clip is on its way."""

    class Endless:
        headers: ClassVar = {}

        async def stream(self):
            yield STALL.read_bytes()[:2_000_000]
            begun.set()
            await asyncio.sleep(60)

    async def called_off() -> None:
        async def take() -> None:
            async with uploads.received(Endless(), page.desk.event_path / "clips"):
                pass

        task = asyncio.create_task(take())
        await begun.wait()
        assert len(clips(page)) == 1
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task

    begun = asyncio.Event()
    asyncio.run(called_off())
    assert clips(page) == []


def test_the_same_clip_sent_twice_at_once_is_one_clip(page, monkeypatch):
    first_looked, look = threading.Event(), record_clips.clip_files

    def slow(folder):
        found = look(folder)
        if threading.current_thread() is not threading.main_thread() and not first_looked.is_set():
            first_looked.set()
            time.sleep(0.5)  # meanwhile the other one would find nothing either
        return found

    monkeypatch.setattr(record_clips, "clip_files", slow)
    answers = []
    senders = [
        threading.Thread(
            target=lambda name=name: answers.append(take_in(page, name, STALL.read_bytes()))
        )
        for name in ("one.mp4", "two.mp4")
    ]
    for sender in senders:
        sender.start()
    for sender in senders:
        sender.join(30)
    assert [answer.status_code for answer in answers] == [200, 200]
    assert len(clips(page)) == 1


def test_what_a_killed_server_left_of_a_clip_goes_at_the_next_start(page):
    folder = page.desk.event_path / "clips"
    for name, age_s in ((".upload-aa.part", 7200), (".upload-bb.part", 60), ("run.mp4", 7200)):
        (folder / name).write_bytes(b"half a clip")
        os.utime(folder / name, (time.time() - age_s,) * 2)
    Desk(page.desk.event_path).close()
    assert clips(page) == [".upload-bb.part", "run.mp4"]  # the second may still be on its way


@pytest.mark.parametrize(
    ("name", "safe"),
    [
        ("run-07.mp4", "run-07.mp4"),
        ("../../event.toml", "event.toml"),
        ("C:\\clips\\run.mp4", "run.mp4"),
        ("/etc/passwd", "passwd"),
        (".hidden.mp4", "hidden.mp4"),
        ("..mp4", "mp4"),
        ("a\x00b\x1f\u202ec.mp4", "abc.mp4"),
        ('what?<"*|>:.mp4', "what_______.mp4"),
        ("con.mp4", "clip-con.mp4"),
        ("  spaced . .mp4", "spaced.mp4"),
        ("größe 日本.mov", "größe 日本.mov"),
    ],
)
def test_a_name_is_only_a_name(name, safe):
    assert safe_name(name) == safe


def test_a_name_of_which_nothing_is_left_is_refused():
    with pytest.raises(RecordError) as refused:
        safe_name("../..")
    assert str(refused.value) == "'..' is no name for a clip; give it one such as run-07.mp4"


@given(st.text(max_size=400))
def test_whatever_is_sent_as_a_name_stays_in_the_folder(name):
    try:
        safe = safe_name(name)
    except RecordError:
        return
    assert Path(safe).name == safe
    assert not safe.startswith(".")
    assert len(safe.encode()) <= 255
    assert safe_name(safe) == safe


def test_clips_are_listed_and_taken_in_while_an_attempt_cannot_be_read(page):
    """As one that a newer version saved; the list of attempts says so."""
    page.desk.event.journal.append([Draft("attempt", "a0001", {"entry": 7}, 0)], by="M. Fell")
    refused = page.get("/api/attempts")
    assert refused.status_code == 400
    assert "a0001" in refused.json()["error"]
    assert take_in(page, "run.mp4", STALL.read_bytes()).status_code == 200
    assert [clip["name"] for clip in page.get("/api/clips").json()["clips"]] == ["run.mp4"]


def test_clips_are_paired_by_their_names(page):
    take_in(page, "siskin_creep_2.mp4", STALL.read_bytes())
    take_in(page, "IMG_0001.mp4", (kit.MEDIA / "siskin-climb.mp4").read_bytes())
    pairs = page.post("/api/pairings", json={"pattern": "{entry}_{test}_{try}"}).json()["pairs"]
    by_name = {pair["name"]: pair for pair in pairs}
    found = by_name["siskin_creep_2.mp4"]
    assert (found["entry"], found["test"], found["try_no"], found["sentence"]) == (
        "Siskin", "creep", 2, None,
    )  # fmt: skip
    assert found["sha"] == kit.clip_of(page, "siskin_creep_2")
    assert by_name["IMG_0001.mp4"]["sentence"].startswith("IMG_0001.mp4 does not fit the pattern")


def test_a_pattern_that_cannot_be_used_is_refused(page):
    refused = page.post("/api/pairings", json={"pattern": "{entry}{try}"})
    assert refused.status_code == 400
    assert "two fields touch" in refused.json()["error"]
