"""Whether a journal is whole: what is changed in it, or belongs to it, is named with its line."""

import json
import shutil

import pytest

from clipmark.audit.journal_check import check_journal
from clipmark.errors import AuditError, FolderError
from clipmark.record.audit_records import Protest
from clipmark.record.backup import backup
from clipmark.record.canonical import sealed_line
from clipmark.record.folder import EventFolder
from clipmark.record.models import Claim, RecordRef
from tests.audit.conftest import lines_of

CLAIM = Claim(measure="ramp_deg", relation="at least", value=45.0, unit="deg", by="Brook")


@pytest.fixture
def clip(tmp_path):
    path = tmp_path / "run.mp4"
    path.write_bytes(b"not really a film, but bytes are bytes")
    return path


@pytest.fixture
def event(tmp_path, clip):
    """Three attempts, one revised, and a protest; the journal has 7 lines."""
    with EventFolder.create(tmp_path / "event", name="Tarn Hollow Pocket Trials") as folder:
        ref = folder.add_clip(clip)
        for entry in ("Siskin", "Wren", "Dunnock"):
            body = {"entry": entry, "test": "board ladder", "verdict": "failed", "clip": ref}
            folder.save_attempt(body, by="Fell")
        saved = folder.attempt("a0002")
        folder.save_attempt(
            saved.attempt.model_copy(update={"verdict": "cleared"}),
            by="Marsh", id="a0002", base_revision=1,
        )  # fmt: skip
        protest = Protest(attempt=RecordRef(id="a0002", revision=2), claim=CLAIM)
        folder.save_record("protest", protest.to_body(), by="Brook", id="p001")
    return folder.path


def faults(check):
    return [str(item) for item in check.findings if item.is_fault]


def notes(check):
    return [str(item) for item in check.findings if not item.is_fault]


def rewrite(folder, change):
    """Change the journal's raw lines."""
    path = folder / "journal.jsonl"
    lines = path.read_bytes().splitlines()
    change(lines)
    path.write_bytes(b"".join(line + b"\n" for line in lines))


def forged(folder, change):
    """Change tables of the journal and seal every line anew, as a forger would."""
    tables = lines_of(folder)
    change(tables)
    previous, raw = "0" * 64, []
    for table in tables:
        fields = {name: value for name, value in table.items() if name != "sha256"}
        raw.append(sealed_line(fields | {"previous": previous}))
        previous = json.loads(raw[-1])["sha256"]
    (folder / "journal.jsonl").write_bytes(b"".join(line + b"\n" for line in raw))


def test_a_sound_event_has_no_fault_and_a_head(event):
    check = check_journal(event)
    assert (check.whole, check.lines, check.clips) == (True, 7, 1)
    assert check.findings == ()
    assert check.head == lines_of(event)[-1]["sha256"]
    assert check.records == {"rules": 1, "session": 1, "attempt": 4, "protest": 1}


def test_a_check_changes_nothing(event):
    """Not even a torn line is set aside: that is for who opens the event."""
    with (event / "journal.jsonl").open("ab") as journal:
        journal.write(b'{"at":"2026-')
    before = {path: path.read_bytes() for path in event.rglob("*") if path.is_file()}
    check = check_journal(event)
    assert {path: path.read_bytes() for path in event.rglob("*") if path.is_file()} == before
    assert check.whole
    assert notes(check) == [
        "The last line is torn (12 bytes), as by a power cut; it was never acknowledged and does "
        "not count."
    ]


@pytest.mark.parametrize("line", [1, 3, 5, 7])
def test_a_changed_letter_is_named_by_its_line(event, line):
    def change(lines):
        lines[line - 1] = lines[line - 1].replace(b'"by":"', b'"by":"x', 1)

    rewrite(event, change)
    assert faults(check_journal(event, clips=False))[0] == (
        f"Line {line}: the line was changed after it was written: its hash does not fit"
    )


def test_a_line_taken_out_or_put_elsewhere_is_named(event):
    rewrite(event, lambda lines: lines.pop(3))
    assert faults(check_journal(event, clips=False))[0].startswith(
        "Line 4: it was not written after the line that now stands before it; its seq is 5 where 4"
    )


def test_lines_cut_off_the_end_are_told_by_the_attempts_file(event):
    rewrite(event, lambda lines: lines.__delitem__(slice(5, None)))
    found = faults(check_journal(event, clips=False))
    assert len(found) == 1
    assert found[0].startswith(
        "attempts.csv does not say what the journal says of attempt a0002: revision is 2, the "
        "journal has 1; verdict is cleared, the journal has failed; "
    )


def test_a_forged_chain_is_whole_and_is_told_by_a_head_made_known_before(event):
    """All hashes can be made anew; only who kept an earlier one can tell."""
    known = check_journal(event).head
    assert check_journal(event, head=known[:20].upper()).head_state == "found"

    def change(tables):
        tables[2]["body"]["verdict"] = "cleared"

    forged(event, change)
    with EventFolder.open(event) as folder:
        folder.write_attempts_file()
    assert check_journal(event).whole
    check = check_journal(event, head=known)
    assert check.head_state == "not found"
    assert faults(check) == [
        f"No line has the hash {known} that was made known: the chain was rewritten or cut short "
        "since, or this is another event."
    ]


def test_a_head_of_an_earlier_line_says_what_was_added_since(event):
    known = lines_of(event)[4]["sha256"]
    check = check_journal(event, head=known)
    assert (check.whole, check.head_state) == (True, "found")
    assert "is that of line 5" in notes(check)[0]
    assert "2 lines were added since" in notes(check)[0]


def test_a_head_behind_a_changed_line_proves_nothing(event):
    known = lines_of(event)[-1]["sha256"]

    def change(lines):
        lines[2] = lines[2].replace(b"Siskin", b"Linnet")

    rewrite(event, change)
    assert check_journal(event, head=known).head_state == "behind a fault"


@pytest.mark.parametrize("head", ["", "abc", "not a hash at all", "f" * 65])
def test_what_cannot_be_a_hash_is_refused(event, head):
    with pytest.raises(AuditError, match="the first 12 of them"):
        check_journal(event, head=head)


def test_a_reference_to_nothing_and_a_body_nobody_can_read_are_named(event):
    def change(tables):
        tables[6]["body"]["attempt"]["revision"] = 9
        tables[4]["body"]["entry"] = 7

    forged(event, change)
    found = faults(check_journal(event, clips=False))
    assert found[0].startswith("Line 5: attempt a0003, revision 1, cannot be recorded: entry must")
    assert found[1] == (
        "Line 7: protest p001 refers to attempt a0002, revision 9, which does not stand before it"
    )


def test_an_embedded_file_that_does_not_fit_its_hash_is_named(event):
    def change(tables):
        tables[0]["body"]["text"] += "# one more\n"

    forged(event, change)
    assert "the text of event.toml does not fit its hash" in faults(check_journal(event))[0]


def test_a_clock_set_back_is_a_note_and_the_order_is_that_of_the_lines(event):
    def change(tables):
        tables[4]["at"] = "2020-01-01T00:00:00.000Z"

    forged(event, change)
    [note] = [item for item in check_journal(event).findings if item.what == "clock"]
    assert not note.is_fault
    assert str(note).startswith("Line 5: it was saved at 2020-01-01T00:00:00.000Z, before line 4 (")
    assert str(note).endswith("a clock was set wrong or set back; the order is that of the lines")


def test_an_edited_attempts_file_is_told_cell_by_cell(event):
    table = event / "attempts.csv"
    table.write_bytes(table.read_bytes().replace(b"Dunnock", b"Linnet"))
    assert faults(check_journal(event)) == [
        "attempts.csv does not say what the journal says of attempt a0003: entry is Linnet, the "
        "journal has Dunnock."
    ]


def test_a_clip_changed_or_gone_is_named_with_who_needs_it(event):
    clip = event / "clips" / "run.mp4"
    data = clip.read_bytes()
    clip.unlink()
    assert faults(check_journal(event))[0].startswith(
        "The clip clips/run.mp4 of attempt a0001, attempt a0002, attempt a0003 is not there (SHA"
    )
    clip.write_bytes(data + b"!")
    assert "the file at its place has another content" in faults(check_journal(event))[0]
    clip.with_name("elsewhere.mp4").write_bytes(data)
    assert check_journal(event).whole
    clip.with_name("elsewhere.mp4").unlink()
    assert check_journal(event, clips=False).whole


def test_two_journals_and_files_left_by_a_power_cut_are_noted(event):
    shutil.copy(event / "journal.jsonl", event / "journal (1).jsonl")
    (event / "journal.torn-20260101T000000000Z.txt").write_bytes(b"{")
    found = notes(check_journal(event))
    assert found[0].startswith("Torn lines were set aside earlier, in journal.torn-2026")
    assert found[1].startswith(
        "The folder holds another file that looks like a journal: journal (1).jsonl. It is not read"
    )


def test_copies_of_one_event_are_compared_line_by_line(event, tmp_path):
    """The same, continued, parted; a folder, a journal file and a backup alike."""
    with EventFolder.open(event) as folder:
        zipped = backup(folder, tmp_path / "friday.zip")
    early = shutil.copy(event / "journal.jsonl", tmp_path / "early.jsonl")
    assert check_journal(event, against=zipped).against.relation == "the same"
    with EventFolder.open(event) as folder:
        saved = folder.attempt("a0003")
        body = saved.attempt.model_copy(update={"verdict": "cleared"})
        folder.save_attempt(body, by="Marsh", id="a0003", base_revision=1)
    ahead = check_journal(event, against=early).against
    assert (ahead.relation, ahead.common, len(ahead.further)) == ("goes on", 7, 1)
    assert str(ahead.further[0]).startswith("line 8, saved by Marsh at ")
    assert ahead.further[0].what == ("attempt a0003, revision 2: verdict from failed to cleared")
    assert check_journal(zipped, against=event).against.relation == "is behind"
    other = tmp_path / "other"
    shutil.copytree(event, other)
    forged(other, lambda tables: tables[5]["body"].update(entry="Linnet"))
    parted = check_journal(event, against=other).against
    assert (parted.relation, parted.common) == ("parts", 5)
    assert [item.line for item in parted.others_further] == [6, 7, 8]
    with EventFolder.create(tmp_path / "else") as folder:
        folder.save_attempt({"entry": "Wren", "test": "ladder"}, by="Fell")
    assert check_journal(event, against=tmp_path / "else").against.relation == "nothing in common"


def test_what_is_no_journal_is_a_sentence(tmp_path, event):
    EventFolder.create(tmp_path / "new").close()
    with pytest.raises(FolderError, match="no attempt was saved in it yet"):
        check_journal(tmp_path / "new")
    with pytest.raises(FolderError, match="is not there"):
        check_journal(tmp_path / "nowhere")
    foreign = tmp_path / "foreign.jsonl"
    foreign.write_text('{"hello": 1}\n')
    with pytest.raises(AuditError, match="this is not a journal of clipmark"):
        check_journal(foreign)


def test_the_verb_prints_head_and_findings_and_its_status_says_whether_all_is_well(event, clipmark):
    ran = clipmark("audit", "verify", event)
    assert ran.status == 0
    assert "The journal is whole: 7 lines, each fits the one before it." in ran.out
    assert f"Head hash: {lines_of(event)[-1]['sha256']}" in ran.out
    assert "drivers' meeting" in ran.out
    rewrite(event, lambda lines: lines.pop(2))
    broken = clipmark("audit", "verify", event, "--no-clips", "--json")
    assert (broken.status, broken.json["whole"]) == (2, False)
    shown = clipmark("audit", "verify", event).out
    assert "The journal is not whole: " in shown
    assert "FAULT: Line 3: it was not written after" in shown
