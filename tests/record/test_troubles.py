"""What happens around an open event: clocks, moved folders, deleted locks, disks, other versions.

Nothing that was answered is lost, what is refused is refused in a sentence, and the table can
always be made again from the journal.
"""

import contextlib
import errno
import os
import signal
import subprocess
import sys
import warnings
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from filelock import FileLock

from clipmark.errors import FolderError, RecordError
from clipmark.record import chain, journal
from clipmark.record.attempts_file import read_rows
from clipmark.record.canonical import sealed_line
from clipmark.record.folder import EventFolder
from clipmark.record.journal import Draft, Journal


def rebuilt(folder: Path) -> list[str]:
    """Attempts in a table that was made anew, as by `clipmark attempts FOLDER --rebuild`."""
    with EventFolder.open(folder) as event:
        path = event.write_attempts_file()
    return [row["attempt"] for row in read_rows(path.read_bytes().decode("utf-8"))]


# Clocks -----------------------------------------------------------------------------------


def test_a_clock_that_jumps_back_and_far_forward_changes_no_order(event, climb):
    """The order is that of the lines; the times stand as the clock said them."""
    times = [
        datetime(2026, 11, 25, tzinfo=UTC),
        datetime(1980, 1, 1, tzinfo=UTC),
        datetime(9999, 12, 31, 23, 59, 59, 999_000, tzinfo=UTC),
        datetime(2026, 11, 26, tzinfo=UTC),
    ]
    for number, instant in enumerate(times):
        event.journal.clock = lambda instant=instant: instant
        if number % 2 == 0:
            event.save_attempt(climb, by="M. Fell")
        else:
            newest = event.attempts()[-1]
            event.save_attempt(climb, by="M. Fell", id=newest.id, base_revision=newest.revision)
    event.close()
    again = EventFolder.open(event.path)
    assert again.findings == ()
    assert [line.at[:10] for line in again.history("a0001")] == ["2026-11-25", "1980-01-01"]
    assert [line.at[:10] for line in again.history("a0002")] == ["9999-12-31", "2026-11-26"]
    assert rebuilt(event.path) == ["a0001", "a0002"]


# Folders that move ------------------------------------------------------------------------

MOVED = (
    "{}: the event folder is no longer there: it was moved, renamed or replaced while it was open, "
    "so nothing was saved; open it where it lies now and save again"
)


@pytest.mark.parametrize("saved_before", [False, True])
def test_a_folder_that_was_renamed_is_not_made_anew(event, climb, saved_before):
    if saved_before:
        event.save_attempt(climb, by="M. Fell")
    there = event.path.with_name("renamed")
    event.path.rename(there)
    with pytest.raises(FolderError) as found:
        event.save_attempt(climb, by="M. Fell")
    assert str(found.value) == MOVED.format(event.path)
    assert not event.path.exists()
    with EventFolder.open(there) as again:
        again.save_attempt(climb, by="M. Fell")
    assert len(rebuilt(there)) == 1 + saved_before


def test_nothing_is_saved_to_another_event_in_the_place_of_a_moved_one(event, climb, ticking):
    event.save_attempt(climb, by="M. Fell")
    event.path.rename(event.path.with_name("renamed"))
    with EventFolder.create(event.path, clock=ticking) as other:
        other.save_attempt(climb | {"entry": "Wren"}, by="A. Tarn")
    before = other.journal.path.read_bytes()
    with pytest.raises(FolderError) as found:
        event.save_attempt(climb, by="M. Fell")
    assert str(found.value) == MOVED.format(event.path)
    assert other.journal.path.read_bytes() == before


def test_a_folder_that_was_put_back_is_saved_to_again(event, climb):
    """As a copy too, which is another folder by its number but goes on as the same event."""
    event.save_attempt(climb, by="M. Fell")
    away = event.path.with_name("away")
    event.path.rename(away)
    away.rename(event.path)
    event.save_attempt(climb, by="M. Fell")
    event.path.rename(away)
    subprocess.run(["cp", "-r", str(away), str(event.path)], check=True)
    event.save_attempt(climb, by="M. Fell")
    event.close()
    assert rebuilt(event.path) == ["a0001", "a0002", "a0003"]


def test_a_folder_given_relative_is_not_looked_for_elsewhere(event, climb, monkeypatch):
    monkeypatch.chdir(event.path.parent)
    relative = EventFolder.open(event.path.name)
    relative.save_attempt(climb, by="M. Fell")
    (event.path / "clips" / "inside").mkdir()
    monkeypatch.chdir(event.path / "clips" / "inside")
    with pytest.raises(FolderError, match="is no longer there: it was moved, renamed or replaced"):
        relative.save_attempt(climb, by="M. Fell")
    assert list(Path().iterdir()) == []


def test_a_journal_that_was_deleted_while_open_is_not_begun_anew(event, climb):
    """A new one would begin at line 1, as if nothing had been answered before."""
    event.save_attempt(climb, by="M. Fell")
    data = event.journal.path.read_bytes()
    event.journal.path.unlink()
    for do in (lambda: event.save_attempt(climb, by="M. Fell"), event.attempts):
        with pytest.raises(FolderError) as found:
            do()
        assert str(found.value) == (
            f"{event.journal.path}: the journal is no longer there: it, or its folder, was moved, "
            "renamed or deleted while it was open; put it back, or open the folder where it lies "
            "now"
        )
    assert not event.journal.path.exists()
    event.journal.path.write_bytes(data)
    event.save_attempt(climb, by="M. Fell")
    assert rebuilt(event.path) == ["a0001", "a0002"]


# Locks ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "error",
    [
        OSError(errno.ENOLCK, os.strerror(errno.ENOLCK)),
        OSError(errno.ENOSYS, os.strerror(errno.ENOSYS)),
        OSError(errno.EOPNOTSUPP, os.strerror(errno.EOPNOTSUPP)),
        NotImplementedError("FileSystem does not appear to support flock"),
    ],
)
def test_a_disk_that_knows_no_locks_is_read_and_not_saved_to(event, climb, monkeypatch, error):
    event.save_attempt(climb, by="M. Fell")
    event.close()
    before = event.journal.path.read_bytes()

    def no_locks(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr(FileLock, "acquire", no_locks)
    again = EventFolder.open(event.path)
    assert [saved.id for saved in again.attempts()] == ["a0001"]
    with pytest.raises(FolderError) as found:
        again.save_attempt(climb, by="M. Fell")
    assert str(found.value) == (
        f"{event.path}: this disk (a network drive?) knows no locks, so two programs saving at "
        "once could not be kept apart and nothing was saved; copy the folder to a disk of this "
        "computer and save there. Reading it where it is works"
    )
    assert event.journal.path.read_bytes() == before


@pytest.mark.skipif(sys.platform == "win32", reason="flock is of Unix")
def test_no_file_is_made_in_place_of_a_lock(event, climb, monkeypatch):
    """What the locking library may do by itself where the system call is missing."""
    import fcntl

    def missing(*_: object) -> None:
        raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))

    monkeypatch.setattr(fcntl, "flock", missing)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with pytest.raises(FolderError, match=r"this disk \(a network drive\?\) knows no locks"):
            event.save_attempt(climb, by="M. Fell")
    assert not event.journal.path.exists()


@pytest.mark.skipif(sys.platform == "win32", reason="Windows deletes no file that is open")
def test_a_lock_file_deleted_while_it_is_held_costs_nothing(event, climb, monkeypatch):
    """Another program then makes a new one and saves in the middle of our saving."""
    event.save_attempt(climb, by="M. Fell")
    other = Journal(event.journal.path)
    interruptions = [Draft("blind", "b1", {"n": 1}, 0), Draft("blind", "b2", {"n": 2}, 0)]
    real = Journal._lines_of

    def interrupted(self: Journal, drafts: list[Draft], by: str) -> bytes:
        lines = real(self, drafts, by)
        if self is event.journal and interruptions:
            self.path.with_name("journal.lock").unlink()
            other.append([interruptions.pop()], by="A. Tarn")
        return lines

    monkeypatch.setattr(Journal, "_lines_of", interrupted)
    line = event.save_stand({"name": "left"}, by="M. Fell", id="left")
    again = Journal(event.journal.path)
    again.refresh()
    assert again.faults == ()
    assert [entry.id for entry in again.entries][-3:] == ["b2", "b1", "left"]
    assert again.entries[-1].sha256 == line.sha256


@pytest.mark.skipif(sys.platform == "win32", reason="Windows deletes no file that is open")
def test_a_line_that_another_is_writing_is_not_taken_for_a_torn_one(event, climb, monkeypatch):
    """Without the lock file both may be at the journal; half a line is not cut away then."""
    event.save_attempt(climb, by="M. Fell")
    raw = event.journal.chain.last_raw
    other = Journal(event.journal.path)
    other.refresh()
    whole = other._lines_of([Draft("blind", "b1", {"n": 1}, 0)], "A. Tarn")
    with event.journal.path.open("ab") as writing:
        writing.write(whole[:40])
    real = journal.disk.hold

    def finished_meanwhile(descriptor: int, timeout_s: float) -> bool:
        if not event.journal.path.read_bytes().endswith(whole):
            with event.journal.path.open("ab") as writing:
                writing.write(whole[40:])
        return real(descriptor, timeout_s)

    monkeypatch.setattr(journal.disk, "hold", finished_meanwhile)
    assert event.journal.set_torn_aside() is None
    again = Journal(event.journal.path)
    again.refresh()
    assert again.entries[-2].raw == raw
    assert (again.entries[-1].id, again.faults, again.torn) == ("b1", (), b"")


def test_somebody_who_never_ends_writing_is_waited_for_no_longer_than_said(event, climb):
    if sys.platform == "win32":
        pytest.skip("flock is of Unix")
    import fcntl

    event.save_attempt(climb, by="M. Fell")
    event.journal._lock.timeout_s = 0.1
    with event.journal.path.open("rb") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        with pytest.raises(FolderError, match=r"has been saving for more than 0\.1 s"):
            event.save_attempt(climb, by="M. Fell")
    event.save_attempt(climb, by="M. Fell")


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_a_program_that_saves_on_and_on_leaves_others_their_turn(event, climb):
    """A person's save waits for a few saves of a batch, not for the batch."""
    event.close()
    ready, begun = os.pipe()
    batch = os.fork()
    if batch == 0:
        with EventFolder.open(event.path) as other:
            while True:
                other.save_attempt(climb, by="batch")
                os.write(begun, b".")
    try:
        os.read(ready, 1)
        person = EventFolder.open(event.path)
        before = len(person.journal.entries)
        for _ in range(5):
            person.save_attempt(climb, by="M. Fell")
        others = len(person.journal.entries) - before - 5
    finally:
        os.kill(batch, signal.SIGKILL)
        os.waitpid(batch, 0)
        os.close(ready)
        os.close(begun)
    assert others <= 5 * 10


# Disks ------------------------------------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path) -> Iterator[Path]:
    """A file system of its own, which can be made read-only."""
    place = tmp_path / "disk"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(place)]
    if (
        sys.platform != "linux"
        or os.geteuid() != 0
        or subprocess.run(mount, check=False, capture_output=True).returncode
    ):
        pytest.skip("needs the right to mount")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def test_a_disk_that_turns_read_only_while_open(small_disk, climb):
    """As a card with its slider moved, or a file system that met an error."""
    event = EventFolder.create(small_disk / "event")
    event.save_attempt(climb, by="M. Fell")
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with pytest.raises(FolderError) as found:
        event.save_attempt(climb, by="M. Fell")
    assert str(found.value) == (
        f"{event.path}: cannot lock the journal: the disk is read-only; copy the folder to a disk "
        "that can be written"
    )
    assert [saved.id for saved in event.attempts()] == ["a0001"]
    with EventFolder.open(event.path) as reader:
        assert reader.findings == ()
    subprocess.run(["mount", "-o", "remount,rw", str(small_disk)], check=True)
    event.save_attempt(climb, by="M. Fell")
    event.close()
    assert rebuilt(event.path) == ["a0001", "a0002"]


def test_a_disk_that_turns_full_between_journal_and_table(small_disk, climb):
    """The save is answered, the old table stays whole, and is made again when there is room."""
    event = EventFolder.create(small_disk / "event")
    event.save_attempt(climb, by="M. Fell")
    table = (event.path / "attempts.csv").read_bytes()
    real = event._table.follow

    def filled_up() -> None:
        with contextlib.suppress(OSError), (small_disk / "filler").open("wb") as filler:
            while True:
                filler.write(b"x" * 4096)
                filler.flush()
        real()

    event._table.follow = filled_up
    line = event.save_attempt(climb, by="M. Fell")
    assert "the disk is full; free some space and repeat, nothing was changed" in event.findings[0]
    assert (event.path / "attempts.csv").read_bytes() == table
    assert [p.name for p in event.path.iterdir() if p.name.endswith(".part")] == []
    assert EventFolder.open(event.path).history("a0002")[0].sha256 == line.sha256
    (small_disk / "filler").unlink()
    assert rebuilt(event.path) == ["a0001", "a0002"]


def test_zeros_in_the_middle_are_a_fault_and_nothing_after_them_is_cut_away(event, climb):
    """A block lost by the disk, with lines behind it that were answered: no torn end."""
    for _ in range(4):
        event.save_attempt(climb, by="M. Fell")
    event.close()
    data = bytearray(event.journal.path.read_bytes())
    start = data.index(b'"id":"a0002"') - 60
    data[start : start + 40] = bytes(40)
    event.journal.path.write_bytes(data)
    again = EventFolder.open(event.path)
    assert str(again.journal.faults[0]) == "line 4: the line is not JSON"
    assert [saved.id for saved in again.attempts()] == ["a0001", "a0003", "a0004"]
    assert event.journal.path.read_bytes() == data


# Versions ---------------------------------------------------------------------------------


def add_line(event: EventFolder, kind: str, body: dict[str, object]) -> None:
    """What a later version may have saved."""
    held = event.journal.chain
    raw = sealed_line(
        {
            "seq": held.next_seq, "at": "2027-01-01T00:00:00.000Z", "by": "A. Tarn", "kind": kind,
            "id": "x1", "revision": 1, "body": body, "previous": held.last_sha256,
        }
    )  # fmt: skip
    with event.journal.path.open("ab") as journal_file:
        journal_file.write(raw + b"\n")


def test_a_field_of_a_later_version_stops_nobody_from_saving(event, climb):
    """The chain is sound, the attempt is named, and the table waits for the version that knows."""
    event.save_attempt(climb, by="M. Fell")
    event.close()
    table = (event.path / "attempts.csv").read_bytes()
    add_line(event, "attempt", climb | {"wind_m_s": 3.5})
    again = EventFolder.open(event.path)
    assert again.journal.faults == ()
    line = again.save_attempt(climb, by="M. Fell")
    assert again.history(line.id)[0].sha256 == line.sha256
    (finding,) = again.findings
    assert finding.startswith("attempts.csv is behind the journal: journal line 4 does not hold an")
    assert finding.endswith("open it with the version that wrote it")
    with pytest.raises(RecordError, match="the field wind_m_s is not known"):
        again.attempts()
    assert (event.path / "attempts.csv").read_bytes() == table


def test_a_kind_of_a_later_version_is_not_written_after(event, climb, monkeypatch):
    event.save_attempt(climb, by="M. Fell")
    event.close()
    add_line(event, "weather", {"wind_m_s": 3.5})
    before = event.journal.path.read_bytes()
    again = EventFolder.open(event.path)
    assert again.findings[0] == (
        "journal.jsonl line 4: the kind 'weather' is not known to this version; nothing from there "
        "on can be trusted"
    )
    with pytest.raises(RecordError, match="nothing is added to a journal with a fault"):
        again.save_attempt(climb, by="M. Fell")
    assert event.journal.path.read_bytes() == before
    monkeypatch.setattr(chain, "KINDS", (*chain.KINDS, "weather"))
    later = EventFolder.open(event.path)
    later.save_attempt(climb, by="M. Fell")
    assert rebuilt(event.path) == ["a0001", "a0002"]
