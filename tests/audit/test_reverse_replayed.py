"""A reverse is called by the sheet of its day, whatever the sheet says now."""

import pytest

from clipmark.audit.reverse_replay import replay_reverse
from clipmark.record.folder import EventFolder
from clipmark.workbench import AttemptDetails, save_reading
from tests.report import followed_kit as kit
from tests.report.report_kit import write_clip

SHEET = '[event]\nname = "Tarn Hollow Pocket Trials"\n[[test]]\nid = "descent"\n{needs}\n'
DETAILS = AttemptDetails(entry="Wren", test="descent")


@pytest.fixture(scope="module")
def event(tmp_path_factory):
    """Its sheet needs a driven move back at first, and a wheel that turned back later."""
    tmp_path = tmp_path_factory.mktemp("reverse")
    write_clip(tmp_path / "down.mp4")
    with EventFolder.create(tmp_path / "event") as folder:
        sheet = folder.path / "event.toml"
        for needs in ('["body moved back", "driven"]', '["wheel turned back"]'):
            sheet.write_text(SHEET.format(needs=f"reverse_needs = {needs}"), encoding="utf-8")
            result, _ = kit.climb(mode="descend", reverse=kit.FACTS)
            save_reading(
                folder, tmp_path / "down.mp4", "climb", result, [], DETAILS, "M. Fell"
            )  # fmt: skip
        yield folder


def test_the_call_is_saved_with_the_reading_by_the_sheet_then_in_force(event):
    calls = [
        saved.attempt.reading("climb").result["reverse_call"]["call"] for saved in event.attempts()
    ]
    assert calls == ["not reversed", "reversed"]


def test_no_call_becomes_a_verdict_or_a_column(event):
    attempt = event.attempts()[1].attempt
    assert (attempt.verdict, attempt.penalties, attempt.calls) == (None, None, ())
    rows = event.write_attempts_file().read_text(encoding="utf-8")
    assert "reversed" not in rows


def test_a_call_is_repeated_by_the_sheet_that_was_in_force(event):
    first = event.attempts()[0].attempt
    reading = first.reading("climb")
    again = replay_reverse(reading, dict(reading.result), first, event.journal.entries)
    assert (again.saved, again.repeated, again.agrees) == ("not reversed", "not reversed", True)
    assert again.sentence == (
        "Called once more by revision 1 of the rule sheet: not reversed, as saved."
    )


def test_facts_that_come_out_otherwise_are_called_otherwise(event):
    second = event.attempts()[1].attempt
    reading = second.reading("climb")
    changed = dict(reading.result) | {
        "reverse": kit.FACTS | {"wheel_turned_back": {"seen": False, "deg": 0.0, "t_s": None}}
    }
    again = replay_reverse(reading, changed, second, event.journal.entries)
    assert (again.saved, again.repeated, again.agrees) == ("reversed", "not reversed", False)
    assert again.sentence.endswith("not reversed; the reading was saved as reversed.")
