"""Programs killed at random moments while two of them save: nothing that was answered is lost.

The savers are forked from the running test, so that a kill costs a hundredth of a second and
hundreds can be made. A checkpoint is written with every save, one of the two writes its lines in
small pieces, so that kills leave torn ends, and now and then the lock file is deleted under them.
"""

import contextlib
import os
import random
import select
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from clipmark.record import checkpoint, disk
from clipmark.record.attempts_file import read_keys
from clipmark.record.folder import EventFolder

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
Answered = tuple[int, str, str]  # journal line, attempt, hash
IN_PIECES = "Marsh"


def write_in_pieces(descriptor: int, data: bytes) -> None:
    """As a slow disk, or a network drive, takes a line."""
    for start in range(0, len(data), 64):
        os.write(descriptor, data[start : start + 64])
        time.sleep(0.0002)


def start_saver(folder: Path, name: str) -> tuple[int, int]:
    """A program that saves until it is killed; its number, and where it says what was answered."""
    read_end, write_end = os.pipe()
    child = os.fork()
    if child:
        os.close(write_end)
        return child, read_end
    try:
        os.close(read_end)
        if name == IN_PIECES:
            disk.write_all = write_in_pieces
        event = EventFolder.open(folder, lock_timeout_s=60)
        for number in range(1, 1_000_000):
            body = {"entry": name, "test": "climb", "note": "x" * 900, "try_no": number}
            line = event.save_attempt(body, by=name)
            if number % 3 == 0:
                body["verdict"] = "cleared"
                line = event.save_attempt(body, by=name, id=line.id, base_revision=1)
            os.write(write_end, f"{line.seq} {line.id} {line.sha256}\n".encode())
    except BaseException as error:
        with contextlib.suppress(OSError):
            os.write(write_end, f"failed: {type(error).__name__}: {error}\n".encode())
    finally:
        os._exit(3)


def said(read_end: int) -> Iterator[Answered]:
    """Everything that a saver was answered; fails on a save that was refused."""
    with os.fdopen(read_end, encoding="utf-8") as source:
        for text in source:
            if text.startswith("failed"):
                pytest.fail(text)
            if text.endswith("\n"):
                seq, record_id, sha256 = text.split()
                yield int(seq), record_id, sha256


def kill_one_round(folder: Path, chance: random.Random) -> set[Answered]:
    """Two savers, killed one after the other while they save; what they were answered."""
    savers = [start_saver(folder, name) for name in ("Fell", IN_PIECES)]
    select.select([read_end for _, read_end in savers], [], [], 20)  # until one was answered
    time.sleep(chance.uniform(0.0, 0.1))
    if chance.random() < 0.25:
        with contextlib.suppress(FileNotFoundError):
            (folder / "journal.lock").unlink()
    for child, _ in chance.sample(savers, 2):
        time.sleep(chance.uniform(0.0, 0.05))
        os.kill(child, signal.SIGKILL)
    for child, _ in savers:
        os.waitpid(child, 0)
    return {line for _, read_end in savers for line in said(read_end)}


def check(folder: Path, answered: set[Answered]) -> None:
    """The event opens, holds everything that was answered, and its table can be made again."""
    with EventFolder.open(folder) as event:
        assert event.journal.faults == ()
        assert event.journal.torn == b""
        held = {(entry.seq, entry.id, entry.sha256) for entry in event.journal.entries}
        assert answered <= held
        newest = {
            (entry.id, str(entry.seq), entry.sha256)
            for (kind, _), entry in event.journal.chain.newest.items()
            if kind == "attempt"
        }
    assert read_keys((folder / "attempts.csv").read_bytes().decode("utf-8")) == newest


def kill(event: EventFolder, rounds: int, seed: int) -> tuple[int, int]:
    """So many rounds; how many revisions were answered, how many lines came to be torn."""
    event.close()
    chance = random.Random(seed)
    answered: set[Answered] = set()
    for _ in range(rounds):
        answered |= kill_one_round(event.path, chance)
        check(event.path, answered)
    return len(answered), len(list(event.path.glob("journal.torn-*")))


@pytest.fixture(autouse=True)
def noted_at_once(monkeypatch):
    monkeypatch.setattr(checkpoint, "LEAST_BYTES", 1)


@pytest.mark.timeout(120)
def test_twelve_kills_lose_nothing(event):
    answered, _ = kill(event, rounds=6, seed=3)
    assert answered >= 6


@pytest.mark.slow
@pytest.mark.timeout(3000)
def test_five_hundred_kills_lose_nothing(event):
    """Measured numbers are in docs/durability.md."""
    answered, torn = kill(event, rounds=250, seed=17)
    lines = len(EventFolder.open(event.path).journal.entries)
    sys.stderr.write(f"500 kills: {answered} answered, {lines} lines, {torn} torn ends set aside\n")
    assert answered >= 500
    assert torn > 0
