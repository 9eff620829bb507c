"""What is wrong with the folder is told while the page is open, and so is that it was mended."""

import os
from pathlib import Path

import pytest

from clipmark.page.sheet_watch import not_writable
from clipmark.record.folder import EventFolder
from tests.page import marking_kit as kit

NOBODY = 65534


@pytest.fixture
def page(tmp_path):
    with kit.sample_page(tmp_path) as client:
        yield client


def edit(page, name, old, new):
    path = page.desk.event_path / name
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def polled(page):
    return page.get("/api/changes", params={"after": 0}).json()


def test_a_rule_sheet_broken_meanwhile_is_told_with_its_line_and_so_is_that_it_was_mended(page):
    whole = page.get("/api/event").json()
    first = polled(page)
    assert (first["sheets"], first["findings"]) == (whole["sheets"], [])
    edit(page, "event.toml", "tries_per_step = 3", "tries_per_step = = 3")
    broken = polled(page)
    assert broken["sheets"] != first["sheets"]
    assert len(broken["findings"]) == 1
    assert broken["findings"][0].startswith("event.toml, line 13, column ")
    meanwhile = page.get("/api/event").json()
    assert meanwhile["findings"] == broken["findings"]
    assert (meanwhile["tests"], meanwhile["entries"]) == (whole["tests"], whole["entries"])
    edit(page, "event.toml", "tries_per_step = = 3", "tries_per_step = 5")
    mended = polled(page)
    assert (mended["sheets"] != broken["sheets"], mended["findings"]) == (True, [])
    assert page.get("/api/event").json()["tests"][0]["tries_per_step"] == 5


def test_a_session_file_that_cannot_be_read_is_told_as_well(page):
    edit(page, "session.toml", 'judge = "R. Aldous"', "judge = R. Aldous")
    (finding,) = polled(page)["findings"]
    assert finding.startswith("session.toml, line ")


def test_a_rule_sheet_taken_away_is_told(page):
    page.get("/api/event")
    (page.desk.event_path / "event.toml").unlink()
    assert polled(page)["findings"] == ["event.toml: the rule sheet is missing; put it back"]


def test_sheets_that_did_not_change_are_not_read_again(page, monkeypatch):
    polled(page)

    def read_again(*_):
        raise AssertionError("read again")

    monkeypatch.setattr("clipmark.page.sheet_watch.read_rule_sheet", read_again)
    assert polled(page)["findings"] == []


@pytest.fixture
def as_nobody():
    """Run as a user who owns nothing, where this may be done; else as oneself."""
    if os.name == "nt":
        pytest.skip("rights on folders are another matter there")
    if os.geteuid() == 0:
        os.seteuid(NOBODY)
        yield
        os.seteuid(0)
    else:
        yield


@pytest.fixture
def locked_event(tmp_path_factory):
    """An event folder that everybody can read and nobody can write."""
    top = tmp_path_factory.mktemp("locked")
    with EventFolder.create(top / "locked", name="Tarn Hollow Pocket Trials") as event:
        event.save_attempt({"entry": "Dipper", "test": "creep"}, by="J. Beck")
    for path in (top, *top.parents):
        if path.owner() != "root" or path == Path("/"):
            break
        if path.stat().st_mode & 0o055 != 0o055 and path != Path("/tmp"):
            path.chmod(path.stat().st_mode | 0o055)
    (top / "locked").chmod(0o555)
    yield top / "locked"
    (top / "locked").chmod(0o755)


def test_a_folder_that_cannot_be_written_to_is_told_before_anybody_signs(locked_event, as_nobody):
    assert not_writable(locked_event) == (
        "locked: the folder cannot be written to, so nothing can be signed or taken in; ask for "
        "rights on it, or copy the folder to a place that can be written"
    )


def test_a_folder_that_can_be_written_to_is_no_finding(page):
    assert not_writable(page.desk.event_path) is None


def test_that_nothing_can_be_saved_is_among_the_findings_of_the_event(page, monkeypatch):
    monkeypatch.setattr("clipmark.page.routes_event.not_writable", lambda path: f"{path.name}: no")
    assert page.get("/api/event").json()["findings"] == ["tarn-hollow: no"]
    assert polled(page)["findings"] == ["tarn-hollow: no"]
