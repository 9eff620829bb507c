"""Old events keep opening: reference files of every released version of the two formats.

``data/make_v1.py`` made them once; they are never made anew to let a test pass.
"""

import shutil
from pathlib import Path

import pytest

from clipmark.record.attempts_file import read_rows
from clipmark.record.folder import EventFolder

DATA = Path(__file__).parent / "data"


@pytest.fixture
def old(tmp_path) -> EventFolder:
    folder = tmp_path / "old"
    folder.mkdir()
    shutil.copy(DATA / "journal_v1.jsonl", folder / "journal.jsonl")
    return EventFolder.open(folder)


def test_a_journal_of_version_1_is_sound(old):
    assert old.findings == ()
    assert old.name == "Tarn Hollow Pocket Trials"
    assert [(entry.kind, entry.id, entry.revision) for entry in old.journal.entries] == [
        ("stand", "left", 1),
        ("rules", "event", 1),
        ("session", "session", 1),
        ("lens", "phone", 1),
        ("attempt", "a0001", 1),
        ("attempt", "a0002", 1),
        ("attempt", "a0001", 2),
    ]


def test_its_attempts_say_what_they_said(old):
    first, second = (saved.attempt for saved in old.attempts())
    assert (first.entry, first.verdict, first.reason, first.step_deg) == (
        "Heather Goat", "failed", "stalled", 45.0,
    )  # fmt: skip
    angle = first.reading("angle")
    assert (angle.number("ramp_deg"), angle.number("ramp_u95_deg")) == (-44.98231274, 0.3125)
    assert (angle.seed, angle.draws, angle.frame) == (20261125, 20000, 412)
    assert angle.result["budget"]["ramp_deg"][0]["u_deg"] == 1e-7
    assert first.mark("ramp").to_mark().as_tuple() == (100, 600.25, 900, 120)
    assert first.calls[0].call == "reverse"
    assert str(first.claim) == "ramp_deg at least 45 deg"
    assert (second.entry, second.verdict) == ("Größe 日本 😀", "void")


def test_the_attempts_file_made_from_it_is_the_old_one_byte_for_byte(old):
    """As long as this version of the table is the newest; a later one is compared by its rows."""
    assert old.write_attempts_file().read_bytes() == (DATA / "attempts_v1.csv").read_bytes()


def test_an_attempts_file_of_version_1_is_read():
    rows = read_rows((DATA / "attempts_v1.csv").read_bytes().decode("utf-8"))
    assert [(row["attempt"], row["revision"], row["journal_seq"]) for row in rows] == [
        ("a0001", "2", "7"),
        ("a0002", "1", "6"),
    ]
    assert rows[0]["note"] == '=not a formula; -2 kg\nsecond line, "quoted"'


def test_an_old_event_can_be_gone_on_with(old):
    line = old.save_attempt({"entry": "Moss Toad", "test": "climb"}, by="M. Fell")
    assert (line.seq, line.id) == (8, "a0003")
    assert EventFolder.open(old.path).findings == ()
