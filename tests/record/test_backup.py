"""Backups: whole, checked by reading back, never over another file."""

import errno
import os
import threading
import zipfile

import pytest

from clipmark.errors import FolderError, RecordError
from clipmark.record import backup as room
from clipmark.record.backup import backup, verify_backup
from clipmark.record.folder import EventFolder


@pytest.fixture
def used(event, climb, tmp_path):
    film = tmp_path / "run-07.mp4"
    film.write_bytes(b"film" * 1000)
    (event.path / "lenses" / "phone.json").write_text('{"fx": 1500}', encoding="utf-8")
    event.save_attempt(
        climb | {"clip": event.add_clip(film), "lens": {"path": "lenses/phone.json"}}, by="M. Fell"
    )
    (event.path / "journal.torn-20261125T120000000Z.txt").write_bytes(b"{")
    (event.path / "evidence" / "still.png").write_bytes(b"derived")
    return event


def names_in(path) -> list[str]:
    with zipfile.ZipFile(path) as archive:
        return archive.namelist()


def test_a_backup_holds_all_that_cannot_be_made_again(used, tmp_path):
    path = backup(used, tmp_path / "b.zip")
    assert names_in(path) == [
        "journal.jsonl",
        "event.toml",
        "session.toml",
        "attempts.csv",
        "attempts.schema.json",
        "journal.torn-20261125T120000000Z.txt",
        "lenses/phone.json",
        "manifest.json",
    ]
    assert verify_backup(path)["journal"]["lines"] == 4


def test_footage_goes_along_when_asked_for(used, tmp_path):
    assert "clips/run-07.mp4" in names_in(backup(used, tmp_path / "b.zip", clips=True))


def test_saving_does_not_wait_while_footage_is_packed(used, climb, tmp_path, monkeypatch):
    """Clips can be gigabytes; only the records need the lock."""

    def save_meanwhile(folder):
        other = EventFolder.open(folder, lock_timeout_s=0.5)
        saver = threading.Thread(target=lambda: other.save_attempt(climb, by="A. Tarn"))
        saver.start()
        saver.join(timeout=5)
        return clip_files(folder)

    clip_files = room.clip_files
    monkeypatch.setattr(room, "clip_files", save_meanwhile)
    path = backup(used, tmp_path / "b.zip", clips=True)
    assert len(used.attempts()) == 2
    assert verify_backup(path)["journal"]["lines"] == 4


def test_an_unpacked_backup_is_an_event_folder(used, tmp_path):
    path = backup(used, tmp_path / "b.zip", clips=True)
    with zipfile.ZipFile(path) as archive:
        archive.extractall(tmp_path / "again")
    again = EventFolder.open(tmp_path / "again")
    assert again.findings == ()
    (saved,) = again.attempts()
    assert (saved.line, again.name) == (used.attempts()[0].line, used.name)
    assert again.find_clip(saved.attempt.clip).read_bytes() == b"film" * 1000


def test_a_backup_replaces_nothing(used, tmp_path):
    (tmp_path / "b.zip").write_bytes(b"something")
    with pytest.raises(FolderError) as found:
        backup(used, tmp_path / "b.zip")
    assert str(found.value) == (
        f"{tmp_path / 'b.zip'} is there already; a backup replaces nothing, give a new name"
    )
    assert (tmp_path / "b.zip").read_bytes() == b"something"


def test_a_journal_with_a_fault_is_backed_up_as_it_is(used, tmp_path):
    data = used.journal.path.read_bytes()
    used.journal.path.write_bytes(data.replace(b'"entry":"Heather Goat"', b'"entry":"x"'))
    manifest = verify_backup(backup(EventFolder.open(used.path), tmp_path / "b.zip"))
    assert manifest["journal"]["faults"][0].startswith("line 4: the line was changed after it")


def test_a_full_disk_leaves_no_half_a_backup(used, tmp_path, monkeypatch):
    real = os.fsync

    def full(descriptor: int) -> None:
        if any(tmp_path.glob(".b.zip.*")):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(descriptor)

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(FolderError) as found:
        backup(used, tmp_path / "b.zip")
    assert str(found.value) == (
        f"{tmp_path / 'b.zip'}: cannot write the backup: the disk is full; free some space and "
        "repeat, nothing was changed"
    )
    assert [path.name for path in tmp_path.iterdir() if "b.zip" in path.name] == []


def repacked(source, target, change) -> None:
    """Write the archive anew with `change` applied to its members."""
    with zipfile.ZipFile(source) as old:
        members = {name: old.read(name) for name in old.namelist()}
    change(members)
    with zipfile.ZipFile(target, "w") as new:
        for name, data in members.items():
            new.writestr(name, data)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (lambda m: m.update({"event.toml": b"x"}), "event.toml is not as it was backed up"),
        (lambda m: m.pop("event.toml"), "event.toml is missing; use an earlier backup"),
        (lambda m: m.update({"extra": b""}), "extra was added; use an earlier backup"),
        (lambda m: m.pop("manifest.json"), "is not a whole backup of clipmark"),
        (lambda m: m.update({"manifest.json": b"{}"}), "the form of this backup is not known"),
    ],
)
def test_a_changed_backup_is_found(used, tmp_path, change, sentence):
    path = backup(used, tmp_path / "b.zip")
    repacked(path, tmp_path / "c.zip", change)
    with pytest.raises(RecordError, match=sentence):
        verify_backup(tmp_path / "c.zip")


def test_what_is_no_backup_is_a_sentence(tmp_path):
    (tmp_path / "b.zip").write_bytes(b"PK nothing")
    with pytest.raises(RecordError, match=r"b\.zip: this is not a whole backup of clipmark"):
        verify_backup(tmp_path / "b.zip")
    with pytest.raises(FolderError, match=r"gone\.zip: cannot read the backup: it is not there"):
        verify_backup(tmp_path / "gone.zip")
