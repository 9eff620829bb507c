"""An event folder for what is audited, with readings saved the way the verbs save them."""

import json

import numpy as np
import pytest

from clipmark.cli.app import status_of
from clipmark.record.folder import EventFolder
from clipmark.workbench import AttemptDetails, save_reading
from tests.cli.conftest import Ran, draw, encode


@pytest.fixture(autouse=True)
def own_homes(tmp_path, monkeypatch):
    """No test reads or writes the caches of whoever runs it."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))


@pytest.fixture
def event(tmp_path):
    with EventFolder.create(tmp_path / "event", name="Tarn Hollow Pocket Trials") as folder:
        yield folder


@pytest.fixture
def keep():
    """Save a reading as a new attempt; gives it as the journal has it."""

    def save(event, clip, measure, result, marks=(), **details):
        given = {"entry": "Siskin", "test": "board ladder"} | details
        line = save_reading(
            event, clip, measure, result, list(marks), AttemptDetails(**given), "Fell"
        )
        return event.attempt(line.id)

    return save


@pytest.fixture(scope="session")
def board(tmp_path_factory):
    """A still clip of a board, a string and two wheels; see `tests.cli.conftest.draw`."""
    path = tmp_path_factory.mktemp("drawn") / "board.mp4"
    rng = np.random.default_rng(4)
    picture = draw()
    encode(path, [picture + rng.normal(0, 2.0, picture.shape) for _ in range(8)])
    return path


@pytest.fixture
def clipmark(capsys):
    """The command line in this process."""

    def run(*arguments):
        capsys.readouterr()
        status = status_of([str(item) for item in arguments])
        captured = capsys.readouterr()
        return Ran(status, captured.out, captured.err)

    return run


def lines_of(folder):
    """The journal's lines as tables."""
    text = (folder / "journal.jsonl").read_text(encoding="utf-8")
    return [json.loads(line) for line in text.splitlines()]
