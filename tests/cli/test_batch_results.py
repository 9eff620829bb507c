"""The file of results: what was acknowledged is there, a torn line is not, nothing is spoilt."""

import errno
import os

import pytest

from clipmark.batch_results import DONE, REFUSED, ResultsFile
from clipmark.errors import FolderError, RecordError

ONE, TWO = "a" * 64, "b" * 64


@pytest.fixture
def path(tmp_path):
    """A file with one task done and one refused."""
    place = tmp_path / "bench.results.jsonl"
    with ResultsFile(place) as results:
        results.add(ONE, DONE, 1, {"clip": "ä.mp4"}, '"result": {"ramp_deg": 45.0}')
        results.add(TWO, REFUSED, 2, {}, '"sentence": "it is dark"')
    return place


def test_what_was_added_is_found_again_by_its_key(path):
    with ResultsFile(path) as results:
        assert {key: kept.status for key, kept in results.newest.items()} == {
            ONE: DONE,
            TWO: REFUSED,
        }
        assert results.line(ONE)["result"] == {"ramp_deg": 45.0}
        results.add(TWO, DONE, 2, {}, '"result": {}')
        assert results.line(TWO)["status"] == DONE
    assert len(path.read_text().splitlines()) == 3


def test_a_line_torn_anywhere_is_cut_off_and_all_before_it_kept(path):
    """As a power cut leaves it: somewhere in the last line, and with a tail of zero bytes."""
    whole = path.read_bytes()
    first = whole.index(b"\n") + 1
    for cut in (*range(first + 1, first + 12), *range(first + 12, len(whole), 17), len(whole) - 1):
        path.write_bytes(whole[:cut])
        with ResultsFile(path) as results:
            assert results.torn
            assert set(results.newest) == {ONE}
        assert path.read_bytes() == whole[:first]
    path.write_bytes(whole + bytes(100))
    with ResultsFile(path) as results:
        assert set(results.newest) == {ONE, TWO}
    assert path.read_bytes() == whole


@pytest.mark.parametrize(
    "text", ["my notes\n", "my notes", '{"a": 1}\n', "attempt,revision\n1,2\n"]
)
def test_a_file_of_something_else_is_left_as_it_is(tmp_path, text):
    notes = tmp_path / "notes.txt"
    notes.write_text(text)
    with pytest.raises(RecordError) as refused:
        ResultsFile(notes)
    assert str(refused.value) == (
        "notes.txt: line 1 is no result of a batch; name another file for the results (--out), "
        "this one is left as it is"
    )
    assert notes.read_text() == text


def test_two_batches_do_not_write_to_one_file(path):
    with ResultsFile(path), pytest.raises(FolderError) as refused:
        ResultsFile(path)
    assert str(refused.value) == (
        "bench.results.jsonl is being written by another batch; wait for it or end it, or give "
        "this one a file of its own (--out)"
    )


def test_a_full_disk_leaves_no_piece_of_a_line(path, monkeypatch):
    whole, real = path.read_bytes(), os.write

    def full(descriptor, data):
        real(descriptor, bytes(data)[:20])
        raise OSError(errno.ENOSPC, "No space left on device")

    with ResultsFile(path) as results:
        monkeypatch.setattr(os, "write", full)
        with pytest.raises(FolderError, match="the disk is full"):
            results.add(TWO, DONE, 2, {}, '"result": {}')
        monkeypatch.undo()
    assert path.read_bytes() == whole
