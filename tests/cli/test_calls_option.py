"""Calls without a page: set down on the command line, in a new attempt or one that is there."""

import json

import pytest
from typer.testing import CliRunner

from clipmark.cli.app import application
from clipmark.errors import RecordError
from clipmark.record.folder import EventFolder
from clipmark.signing import parse_call


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    EventFolder.create(tmp_path / "event", name="Tarn Hollow Pocket Trials").close()
    return tmp_path / "event"


def attempts(folder, *words: str):
    return CliRunner().invoke(
        application(), ["attempts", str(folder), "--json", "--by", "Fell", *words]
    )


def called(folder, id: str = "a0001") -> list[tuple[str, float]]:
    with EventFolder.open(folder) as event:
        return [(call.call, call.t_s) for call in event.attempt(id).attempt.calls]


def test_calls_are_saved_with_a_new_attempt_and_added_to_one_that_is_there(folder):
    new = ("--new", "--entry", "Siskin", "--test", "course")
    done = attempts(folder, *new, "--call", "touch@12.4", "--call", "out of time@300")
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout)["saved"] == "a0001, revision 1"
    assert called(folder) == [("touch", 12.4), ("out-of-time", 300.0)]
    attempts(folder, "--revise", "a0001", "--call", "reverse@15")
    assert called(folder) == [("touch", 12.4), ("out-of-time", 300.0), ("reverse", 15.0)]


def test_a_call_that_nobody_knows_is_refused_and_nothing_is_saved(folder):
    done = attempts(folder, "--new", "--entry", "S", "--test", "c", "--call", "wobble@1")
    assert isinstance(done.exception, RecordError)
    assert str(done.exception).startswith("the call 'wobble' is not known; give one of touch, ")
    with EventFolder.open(folder) as event:
        assert event.attempts() == []


@pytest.mark.parametrize("text", ["touch", "@3", "touch@", "touch@soon", "touch@nan", "touch@inf"])
def test_a_call_that_cannot_be_read_says_how_it_is_written(text):
    with pytest.raises(RecordError) as refused:
        parse_call(text)
    assert str(refused.value) == (
        f"the call '{text}' cannot be read: write it as CALL@SECONDS, such as touch@12.4"
    )
