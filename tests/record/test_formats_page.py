"""docs/formats.md says what the code does, and its examples run."""

import json
import re
from pathlib import Path

import pandas as pd
import pytest

from clipmark.record import columns
from clipmark.record.attempts_file import guarded
from clipmark.record.models import FAIL_REASONS, KINDS, VOID_REASONS, Attempt
from clipmark.record.readings import Reading

PAGE = (Path(__file__).parents[2] / "docs" / "formats.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"```python\n(.*?)```", PAGE, flags=re.DOTALL)


def test_the_column_table_is_that_of_the_code():
    rows = re.findall(
        r"^\| `(\w+)` \| (string|integer|number|datetime) \| (.*?) \| (.*?) \|$", PAGE, re.M
    )
    assert [tuple(row) for row in rows] == [
        (column.name, column.type, column.unit, column.meaning) for column in columns.COLUMNS
    ]


def test_every_kind_reason_and_field_of_an_attempt_is_named():
    named = set(re.findall(r"`([\w-]+)`", PAGE))
    assert {*KINDS, *FAIL_REASONS, *VOID_REASONS, *Attempt.model_fields} <= named


@pytest.fixture
def in_event(event, climb, angle_result, monkeypatch) -> Path:
    readings = [Reading.from_measured("angle", angle_result)]
    event.save_attempt(climb | {"readings": readings, "verdict": "cleared"}, by="M. Fell")
    event.close()
    monkeypatch.chdir(event.path)
    return event.path


def test_the_checker_on_the_page_passes_a_sound_journal_and_finds_a_changed_one(in_event):
    exec(EXAMPLES[0], {})
    data = Path("journal.jsonl").read_bytes()
    Path("journal.jsonl").write_bytes(data.replace(b'"cleared"', b'"failed"'))
    with pytest.raises(AssertionError, match="line 3 was changed"):
        exec(EXAMPLES[0], {})


def test_the_pandas_examples_give_tables(in_event, capsys):
    exec(EXAMPLES[1], {})
    assert "44.982313" in capsys.readouterr().out
    names: dict[str, object] = {}
    exec(EXAMPLES[2], names)
    readings = names["readings"]
    assert isinstance(readings, pd.DataFrame)
    assert readings.loc[0, "ramp_deg"] == -44.98231274


def test_the_guard_is_undone_as_the_page_says():
    pattern = re.search(r'`re\.sub\(r"(.*?)", r"\\1", cell\)`', PAGE)
    assert pattern
    for text in ("=1", "'=1", "a; -2", "\n+x", "fine", "'72"):
        assert re.sub(pattern[1], r"\1", guarded(text)) == text


def test_the_schema_beside_the_table_is_the_one_of_the_code(in_event):
    assert json.loads(Path("attempts.schema.json").read_text(encoding="utf-8")) == (
        columns.attempts_schema()
    )
