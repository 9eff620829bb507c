"""Clips: taken in whole, never written to, found again by what is in them."""

import errno
import os

import pytest

from clipmark.errors import FolderError
from clipmark.record import clips
from clipmark.record.models import ClipRef


@pytest.fixture
def film(tmp_path):
    path = tmp_path / "card" / "run-07.mp4"
    path.parent.mkdir()
    path.write_bytes(bytes(range(256)) * 5000)
    return path


def test_a_clip_is_copied_in_and_named_from_the_folder(event, film):
    reference = event.add_clip(film)
    assert reference.path == "clips/run-07.mp4"
    assert (event.path / reference.path).read_bytes() == film.read_bytes()
    assert [path.name for path in (event.path / "clips").iterdir()] == ["run-07.mp4"]


@pytest.mark.parametrize("link", ["hard", "soft"])
def test_a_clip_may_be_linked_instead(event, film, link):
    reference = event.add_clip(film, link=link)
    assert (event.path / reference.path).samefile(film)
    assert event.find_clip(reference) == event.path / "clips" / "run-07.mp4"


def test_the_same_clip_is_not_taken_in_twice(event, film):
    event.add_clip(film)
    again = film.rename(film.with_name("copy.mp4"))
    assert event.add_clip(again).path == "clips/run-07.mp4"


def test_another_clip_of_the_same_name_gets_a_number(event, film):
    event.add_clip(film)
    film.write_bytes(b"another")
    assert event.add_clip(film).path == "clips/run-07-2.mp4"


def test_a_moved_and_renamed_clip_is_found_by_its_content(event, film):
    reference = event.add_clip(film)
    (event.path / "clips" / "day 1").mkdir()
    moved = (event.path / reference.path).rename(event.path / "clips" / "day 1" / "x.mp4")
    assert event.find_clip(reference) == moved


def test_a_clip_that_is_nowhere_is_a_sentence(event, film):
    reference = event.add_clip(film)
    (event.path / reference.path).unlink()
    with pytest.raises(FolderError) as found:
        event.find_clip(reference)
    assert str(found.value) == (
        f"{event.path / 'clips/run-07.mp4'}: the clip is not there, and no file under "
        f"{event.path / 'clips'} has its content (SHA-256 {reference.sha256}); put the original "
        "file back into clips/, under any name"
    )


def test_a_changed_clip_is_not_taken_for_the_original(event, film):
    reference = event.add_clip(film)
    (event.path / reference.path).write_bytes(b"cut to the moment")
    with pytest.raises(FolderError, match="the clip is there but was changed"):
        event.find_clip(reference)


def test_an_audit_does_not_believe_the_cache(event, film):
    """Same size and time of change, other content: only reading it again tells."""
    reference = event.add_clip(film)
    path = event.path / reference.path
    event.find_clip(reference)
    state = path.stat()
    path.write_bytes(path.read_bytes()[::-1])
    os.utime(path, ns=(state.st_atime_ns, state.st_mtime_ns))
    assert event.find_clip(reference) == path
    with pytest.raises(FolderError, match="was changed"):
        event.find_clip(reference, fresh=True)


def test_a_known_clip_is_not_read_again(event, film, monkeypatch):
    reference = event.add_clip(film)
    event.find_clip(reference)

    def not_again(path: object) -> str:
        raise AssertionError(f"{path} was read again")

    monkeypatch.setattr(clips.disk, "file_sha256", not_again)
    assert event.find_clip(reference).name == "run-07.mp4"


@pytest.mark.parametrize("damage", ["", "[]", '{"a": 1}', '{"a": [1, 2]}', "\x00"])
def test_a_damaged_cache_is_done_without(event, film, damage):
    clips.cache_path().parent.mkdir(parents=True, exist_ok=True)
    clips.cache_path().write_text(damage)
    assert event.add_clip(film).path == "clips/run-07.mp4"


def test_a_full_disk_leaves_no_half_a_clip(event, film, monkeypatch):
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    clips.clip_sha256(film)
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(FolderError) as found:
        event.add_clip(film)
    assert str(found.value) == (
        f"{event.path / 'clips'}: cannot take in run-07.mp4: the disk is full; free some space and "
        "repeat, nothing was changed"
    )
    assert list((event.path / "clips").iterdir()) == []


def test_a_clip_that_is_not_there_is_a_sentence(event, tmp_path):
    with pytest.raises(FolderError, match=r"gone\.mp4: cannot read the clip: it is not there"):
        event.add_clip(tmp_path / "gone.mp4")
    with pytest.raises(FolderError, match="the clip is not there"):
        event.find_clip(ClipRef(path="clips/gone.mp4", sha256="0" * 64))
