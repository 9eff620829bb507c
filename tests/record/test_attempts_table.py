"""How attempts.csv follows a large journal: little is made again, and nobody's save waits for it.

Here with small tables for which the limits are taken away.
"""

import os
import shutil
import threading
import time
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from clipmark.record import attempts_rows, attempts_table, checkpoint, disk
from clipmark.record.attempts_file import read_rows
from clipmark.record.folder import EventFolder


@pytest.fixture(autouse=True)
def as_if_large(monkeypatch):
    monkeypatch.setattr(attempts_table, "_LEAST_NOTED_BYTES", 1)


@pytest.fixture
def made(monkeypatch) -> list[str]:
    """Attempts whose rows were made."""
    found: list[str] = []
    real = attempts_rows.row_of

    def counted(entry, event):
        found.append(entry.id)
        return real(entry, event)

    monkeypatch.setattr(attempts_rows, "row_of", counted)
    return found


def table(event: EventFolder) -> bytes:
    return (event.path / "attempts.csv").read_bytes()


def wait_for(event: EventFolder, sha256: str, seconds: float = 5.0) -> None:
    until = time.monotonic() + seconds
    while sha256.encode() not in table(event):
        assert time.monotonic() < until
        time.sleep(0.01)


def from_the_journal(event: EventFolder) -> bytes:
    """The table made anew, as where nothing is remembered of it."""
    shutil.rmtree(checkpoint.folder(), ignore_errors=True)
    return EventFolder.open(event.path).write_attempts_file().read_bytes()


def test_rows_of_our_own_table_are_not_made_again(event, climb, made):
    for _ in range(5):
        event.save_attempt(climb, by="M. Fell")
    event.close()
    made.clear()
    with EventFolder.open(event.path) as again:
        again.save_attempt(climb, by="M. Fell")
        again.save_attempt(climb, by="M. Fell", id="a0002", base_revision=1)
    assert made == ["a0006", "a0002"]
    assert table(event) == from_the_journal(event)


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(st.text(st.characters(codec="utf-8"), max_size=12), min_size=1, max_size=4))
def test_rows_are_taken_back_from_the_table_byte_for_byte(tmp_path, notes):
    """Whatever a note holds: quotes, commas, line ends."""
    rows = [f"a{n},".encode() + _cell(note) + b",x\r\n" for n, note in enumerate(notes)]
    assert list(attempts_rows._rows_of(b"attempt,note\r\n" + b"".join(rows))) == rows


def _cell(text: str) -> bytes:
    quoted = any(sign in text for sign in '",\r\n')
    return ('"' + text.replace('"', '""') + '"' if quoted else text).encode("utf-8")


def test_a_table_changed_by_hand_is_made_anew(event, climb, made):
    for _ in range(3):
        event.save_attempt(climb, by="M. Fell")
    event.close()
    (event.path / "attempts.csv").write_bytes(table(event).replace(b"Heather", b"Feather"))
    made.clear()
    with EventFolder.open(event.path) as again:
        again.save_attempt(climb, by="M. Fell")
    assert sorted(made) == ["a0001", "a0002", "a0003", "a0004"]
    assert b"Feather" not in table(event)


@pytest.mark.parametrize("what", ["version", "event"])
def test_a_table_of_another_version_or_event_name_is_made_anew(
    event, climb, made, monkeypatch, what
):
    event.save_attempt(climb, by="M. Fell")
    event.close()
    made.clear()
    if what == "version":
        monkeypatch.setattr(checkpoint, "__version__", "99.0")
    else:
        sheet = event.path / "event.toml"
        text = sheet.read_text(encoding="utf-8")
        sheet.write_text(text.replace("Tarn Hollow Pocket Trials", "Whin Fell Trials"), "utf-8")
    with EventFolder.open(event.path) as again:
        again.save_attempt(climb, by="M. Fell")
    assert made == ["a0001", "a0002"]


def test_a_save_does_not_wait_for_a_table_that_is_being_written(event, climb, monkeypatch):
    event.save_attempt(climb, by="M. Fell")
    event._table._last_cost_s = 1.0  # as if a hundred thousand attempts were in it
    writing, go_on = threading.Event(), threading.Event()
    real = disk.write_beside

    def slow(path, pieces):
        if path.name == "attempts.csv":
            writing.set()
            assert go_on.wait(10)
        return real(path, pieces)

    monkeypatch.setattr(disk, "write_beside", slow)
    event.save_attempt(climb, by="M. Fell")
    assert writing.wait(10)
    last = event.save_attempt(climb, by="M. Fell")  # would wait for ever
    go_on.set()
    wait_for(event, last.sha256)
    event.close()
    assert table(event) == from_the_journal(event)


def test_an_older_table_is_not_put_over_a_newer_one(event, climb, monkeypatch):
    """Another program saves and writes its table while ours is being written."""
    event.save_attempt(climb, by="M. Fell")
    event._table._last_cost_s = 1.0
    newest: list[str] = []
    real = disk.write_beside

    def overtaken(path, pieces):
        part = real(path, pieces)
        if path.name == "attempts.csv" and not newest:
            newest.append("")
            with EventFolder.open(event.path) as other:
                newest[0] = other.save_attempt(climb, by="A. Tarn").sha256
        return part

    monkeypatch.setattr(disk, "write_beside", overtaken)
    event.save_attempt(climb, by="M. Fell")
    until = time.monotonic() + 5
    while event._table._behind:
        assert time.monotonic() < until
        time.sleep(0.01)
    assert newest[0].encode() in table(event)
    assert table(event) == from_the_journal(event)
    assert [path.name for path in event.path.iterdir() if ".part" in path.name] == []


def test_a_table_that_tells_of_lost_lines_is_kept(event, climb):
    """It is the only thing that knows of them, and the next save would replace it."""
    for _ in range(2):
        event.save_attempt(climb, by="M. Fell")
    event.close()
    told = table(event)
    lines = event.journal.path.read_bytes().splitlines(keepends=True)
    event.journal.path.write_bytes(b"".join(lines[:-1]))
    with EventFolder.open(event.path) as again:
        again.save_attempt(climb | {"entry": "Wren"}, by="M. Fell")
    (kept,) = event.path.glob("attempts.lost-*.csv")
    assert kept.read_bytes() == told
    assert [row["entry"] for row in read_rows(Path(event.path / "attempts.csv").read_text())] == [
        "Heather Goat",
        "Wren",
    ]


def test_what_killed_programs_left_unfinished_is_cleared_away(event, climb):
    """What somebody may still be writing stays."""
    old, new = (event.path / f".attempts.csv.{n}-1.part" for n in (111, 222))
    for path in (old, new):
        path.write_bytes(b"attempt,rev")
    hour_ago = time.time() - 3600
    os.utime(old, (hour_ago, hour_ago))
    event.save_attempt(climb, by="M. Fell")
    event.close()
    assert (old.exists(), new.exists()) == (False, True)
