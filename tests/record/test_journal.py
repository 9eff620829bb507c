"""The journal: what is acknowledged stays, what was changed is found, nothing is half-written."""

import errno
import hashlib
import json
import os
import tempfile
from pathlib import Path

import pytest
from filelock import FileLock
from hypothesis import given, settings
from hypothesis import strategies as st

from clipmark.errors import FolderError, RecordError, RevisionError
from clipmark.record.canonical import canonical_bytes
from clipmark.record.chain import read_chain
from clipmark.record.journal import Draft, Journal


def note(number: int, record_id: str = "", base: int = 0) -> Draft:
    return Draft("blind", record_id or f"b{number}", {"n": number, "x": number / 7}, base)


@pytest.fixture
def journal(tmp_path, ticking) -> Journal:
    return Journal(tmp_path / "journal.jsonl", clock=ticking, lock_timeout_s=0.2)


@pytest.fixture
def five(journal) -> Journal:
    for number in range(1, 6):
        journal.append([note(number)], by="M. Fell")
    return journal


def fresh(journal: Journal) -> Journal:
    other = Journal(journal.path, lock_timeout_s=0.2)
    other.refresh()
    return other


def test_a_line_holds_its_nine_fields_and_is_its_own_canonical_form(five):
    for raw in five.path.read_bytes().splitlines():
        fields = json.loads(raw)
        assert list(fields) == [
            "at", "body", "by", "id", "kind", "previous", "revision", "seq", "sha256",
        ]  # fmt: skip
        assert canonical_bytes(fields) == raw


def test_the_chain_can_be_checked_with_nothing_but_json_and_sha256(five):
    """As a stranger would, from the description of the format alone."""
    previous = "0" * 64
    for seq, raw in enumerate(five.path.read_bytes().splitlines(), start=1):
        fields = json.loads(raw)
        stated = fields.pop("sha256")
        assert hashlib.sha256(canonical_bytes(fields)).hexdigest() == stated
        assert (fields["previous"], fields["seq"]) == (previous, seq)
        previous = stated


def test_what_was_saved_is_read_back(five):
    again = fresh(five)
    assert [entry.body["n"] for entry in again.entries] == [1, 2, 3, 4, 5]
    assert again.entries[0].body["x"] == 1 / 7
    assert again.faults == ()
    assert all(entry.trusted for entry in again.entries)


def test_a_reader_sees_what_another_adds_by_reading_only_the_tail(five):
    reader = fresh(five)
    first = reader.entries[0]
    five.append([note(6)], by="A. Tarn")
    reader.refresh()
    assert len(reader.entries) == 6
    assert reader.entries[0] is first


def test_a_journal_put_in_place_of_another_is_read_anew(five, tmp_path, ticking):
    other = Journal(tmp_path / "other.jsonl", clock=ticking)
    other.append([note(70), note(71)], by="A. Tarn")
    five.path.write_bytes(other.path.read_bytes())
    five.refresh()
    assert [entry.body["n"] for entry in five.entries] == [70, 71]


def test_a_revision_replaces_the_newest_or_is_refused(journal):
    journal.append([note(1, "one")], by="M. Fell")
    journal.append([note(2, "one", base=1)], by="A. Tarn")
    with pytest.raises(RevisionError) as found:
        journal.append([note(3, "one", base=1)], by="M. Fell")
    assert str(found.value) == (
        "blind one: revision 2 was saved by A. Tarn, but this change was made from revision 1; "
        "open the newest revision, make the change there and save again"
    )
    assert len(fresh(journal).entries) == 2


def test_a_revision_of_nothing_is_refused(journal):
    with pytest.raises(RevisionError) as found:
        journal.append([note(1, "one", base=4)], by="M. Fell")
    assert str(found.value) == (
        "blind one: there is no revision 4 to replace; save it as a new record"
    )


@pytest.mark.parametrize(
    ("by", "sentence"),
    [
        ("", "the name of who saves is empty; give a name"),
        ("  ", "the name of who saves is empty; give a name"),
        ("M.\nFell", "the name of who saves must stand on one line, without tabs"),
        ("\x1b[2J", "the name of who saves holds the control character U+001B; remove it"),
    ],
)
def test_a_save_without_a_proper_name_is_refused(journal, by, sentence):
    with pytest.raises(RecordError) as found:
        journal.append([note(1)], by=by)
    assert str(found.value) == sentence
    assert not journal.path.exists()


def test_a_busy_journal_is_a_sentence(five):
    with (
        FileLock(five.path.with_name("journal.lock")),
        pytest.raises(FolderError) as found,
    ):
        five.append([note(6)], by="M. Fell")
    assert str(found.value) == (
        f"{five.path}: another program has been saving for more than 0.2 s, so nothing was "
        "saved; close it, or wait and save again"
    )


# A power cut ------------------------------------------------------------------------------


@pytest.mark.parametrize("kept", [1, 40, 200])
def test_a_torn_last_line_is_reported_set_aside_and_does_not_block(five, kept):
    whole = five.path.read_bytes()
    torn = whole.splitlines()[-1][:kept]
    five.path.write_bytes(whole + torn)
    again = fresh(five)
    assert again.torn == torn
    assert len(again.entries) == 5
    aside = again.set_torn_aside()
    assert aside.name.startswith("journal.torn-2")
    assert aside.read_bytes() == torn
    assert five.path.read_bytes() == whole
    again.append([note(6)], by="M. Fell")
    assert fresh(five).faults == ()


def test_blocks_that_were_promised_but_never_filled_are_torn(five):
    """A power cut can leave the length of the file and zeros where the line should be."""
    whole = five.path.read_bytes()
    five.path.write_bytes(whole + b'{"at":"20' + bytes(4096))
    again = fresh(five)
    assert (len(again.entries), again.faults) == (5, ())
    again.append([note(6)], by="M. Fell")
    assert len(fresh(five).entries) == 6


def test_appending_sets_a_torn_line_aside_by_itself(five):
    with five.path.open("ab") as journal_file:
        journal_file.write(b'{"at":"2026')
    five.append([note(6)], by="M. Fell")
    assert [entry.seq for entry in fresh(five).entries] == [1, 2, 3, 4, 5, 6]
    assert [p.read_bytes() for p in five.path.parent.glob("journal.torn-*")] == [b'{"at":"2026']


def test_two_torn_lines_in_one_second_are_both_kept(five):
    instant = five.clock()
    five.clock = lambda: instant
    for torn in (b"{1", b"{2"):
        with five.path.open("ab") as journal_file:
            journal_file.write(torn)
        five.set_torn_aside()
    kept = sorted(path.read_bytes() for path in five.path.parent.glob("journal.torn-*"))
    assert kept == [b"{1", b"{2"]


def test_a_whole_last_line_without_its_line_end_is_not_lost(five):
    """Some editors strip the last line end; the line itself was acknowledged."""
    five.path.write_bytes(five.path.read_bytes()[:-1])
    again = fresh(five)
    assert (len(again.entries), again.faults, again.torn) == (5, (), b"")
    again.append([note(6)], by="M. Fell")
    assert (len(fresh(five).entries), fresh(five).faults) == (6, ())


# Changes ----------------------------------------------------------------------------------


def test_an_edited_line_is_named_and_nothing_after_it_is_trusted(five):
    data = five.path.read_bytes()
    five.path.write_bytes(data.replace(b'"n":3', b'"n":4'))
    again = fresh(five)
    assert [str(fault) for fault in again.faults] == [
        "line 3: the line was changed after it was written: its hash does not fit"
    ]
    assert [entry.trusted for entry in again.entries] == [True, True, False, False, False]
    assert [entry.body["n"] for entry in again.entries] == [1, 2, 4, 4, 5]


def test_a_line_written_anew_with_a_fitting_hash_breaks_the_chain_after_it(five):
    lines = five.path.read_bytes().splitlines()
    fields = json.loads(lines[2])
    fields["body"]["n"] = 99
    del fields["sha256"]
    fields["sha256"] = hashlib.sha256(canonical_bytes(fields)).hexdigest()
    lines[2] = canonical_bytes(fields)
    five.path.write_bytes(b"\n".join(lines) + b"\n")
    assert [str(fault) for fault in fresh(five).faults] == [
        "line 4: it was not written after the line that now stands before it"
    ]


def test_a_line_taken_out_is_noticed_at_the_next(five):
    lines = five.path.read_bytes().splitlines(keepends=True)
    five.path.write_bytes(b"".join(lines[:1] + lines[2:]))
    assert [str(fault) for fault in fresh(five).faults] == [
        "line 2: it was not written after the line that now stands before it; its seq is 3 where "
        "2 belongs"
    ]


def test_a_line_that_only_looks_different_is_a_fault(five):
    """The same JSON with a space in it: not byte for byte its own canonical form."""
    data = five.path.read_bytes()
    five.path.write_bytes(data.replace(b'{"at"', b'{ "at"', 1))
    assert str(fresh(five).faults[0]) == (
        "line 1: the line is not byte for byte its own canonical form"
    )


@pytest.mark.parametrize("line", [b"", b"\xff\xfe", b"[]", b"3", b"not json", b'{"a":1}'])
def test_a_foreign_line_is_a_fault_and_the_rest_is_still_read(five, line):
    lines = five.path.read_bytes().splitlines()
    five.path.write_bytes(b"\n".join([*lines[:2], line, *lines[2:]]) + b"\n")
    again = fresh(five)
    assert again.faults[0].line == 3
    assert len(again.entries) == 5


def test_nothing_is_added_to_a_journal_with_a_fault(five):
    data = five.path.read_bytes().replace(b'"n":3', b'"n":4')
    five.path.write_bytes(data)
    with pytest.raises(RecordError) as found:
        fresh(five).append([note(6)], by="M. Fell")
    assert str(found.value) == (
        "journal.jsonl line 3: the line was changed after it was written: its hash does not fit; "
        "nothing is added to a journal with a fault, so that the fault stays visible: keep a copy "
        f"with `clipmark attempts {five.path.parent} --backup FILE.zip`, then put back the "
        "journal of an earlier backup"
    )
    assert five.path.read_bytes() == data


def _lines_of_a_journal() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        journal = Journal(Path(folder) / "journal.jsonl")
        for number in range(4):
            journal.append([note(number)], by="M. Fell")
        return journal.path.read_bytes()


SOUND = _lines_of_a_journal()


@settings(max_examples=400, deadline=None)
@given(st.integers(0, len(SOUND) - 1), st.integers(0, 7))
def test_every_single_flipped_bit_is_found(position, bit):
    data = bytearray(SOUND)
    data[position] ^= 1 << bit
    chain, torn = read_chain(bytes(data))
    assert chain.faults or torn


@settings(max_examples=200, deadline=None)
@given(st.integers(0, len(SOUND) - 1), st.binary(min_size=1, max_size=6), st.integers(0, 6))
def test_every_change_of_some_bytes_is_found_or_shortens_the_end(position, put, cut):
    """Lines that vanish from the end leave a sound journal: the attempts file tells of those."""
    data = SOUND[:position] + put + SOUND[position + cut :]
    chain, torn = read_chain(data)
    same = data == SOUND or data + b"\n" == SOUND
    assert same or chain.faults or torn


# A full disk ------------------------------------------------------------------------------


def full_disk(monkeypatch, *, after_bytes: int) -> None:
    """Let that many bytes through, then say that the disk is full."""
    real_write, room = os.write, [after_bytes]

    def write(descriptor: int, data: memoryview) -> int:
        if room[0] <= 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        written = real_write(descriptor, bytes(data)[: room[0]])
        room[0] -= written
        return written

    monkeypatch.setattr(os, "write", write)


@pytest.mark.parametrize("after_bytes", [0, 1, 150])
def test_a_full_disk_is_a_sentence_and_leaves_the_journal_as_it_was(five, monkeypatch, after_bytes):
    before = five.path.read_bytes()
    with monkeypatch.context() as patch:
        full_disk(patch, after_bytes=after_bytes)
        with pytest.raises(FolderError) as found:
            five.append([note(6)], by="M. Fell")
    assert str(found.value) == (
        f"{five.path}: cannot save to the journal: the disk is full; free some space and repeat, "
        "nothing was changed"
    )
    assert five.path.read_bytes() == before
    five.append([note(6)], by="M. Fell")
    assert len(fresh(five).entries) == 6


def test_a_save_that_could_not_be_flushed_is_not_answered(five, monkeypatch):
    before = five.path.read_bytes()

    def fsync(descriptor: int) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", fsync)
        with pytest.raises(FolderError, match="the disk reported a fault; copy the folder"):
            five.append([note(6)], by="M. Fell")
    assert five.path.read_bytes() == before


def test_file_and_folder_are_flushed_before_a_save_is_answered(journal, monkeypatch):
    flushed = []
    real = os.fsync

    def fsync(descriptor: int) -> None:
        flushed.append(Path(f"/proc/self/fd/{descriptor}").readlink().name)
        real(descriptor)

    if not Path("/proc/self/fd").exists():
        pytest.skip("needs /proc to see what is flushed")
    monkeypatch.setattr(os, "fsync", fsync)
    journal.append([note(1)], by="M. Fell")
    assert flushed == ["journal.jsonl", journal.path.parent.name]


def test_a_folder_without_rights_is_a_sentence(journal, monkeypatch):
    def no_rights(*_: object) -> int:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr(os, "open", no_rights)
    with pytest.raises(FolderError, match="you have no right to; ask for rights on the folder"):
        journal.append([note(1)], by="M. Fell")
