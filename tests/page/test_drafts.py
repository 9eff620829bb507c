"""What is marked but not signed is kept, by event, and belongs to the browser that writes it."""

import json
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from clipmark.errors import FolderError, PageError, RecordError
from clipmark.page import drafts as drafts_module
from clipmark.page.drafts import Drafts, HeldError
from clipmark.record import disk
from clipmark.record.draft import AttemptDraft, Details

KEY = "new-0123456789abcdef"


class Clock:
    def __init__(self) -> None:
        self.now = datetime(2026, 11, 25, 13, 37, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now

    def wait(self, seconds: float) -> None:
        self.now += timedelta(seconds=seconds)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def kept(tmp_path, monkeypatch, clock) -> Drafts:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return Drafts(tmp_path / "event", clock)


def draft(entry: str = "Siskin", **more) -> AttemptDraft:
    return AttemptDraft(details=Details(entry=entry, test="creep"), **more)


def test_a_draft_comes_back_as_it_was_kept(kept):
    at = kept.put(KEY, "one", draft())
    assert at == "2026-11-25T13:37:00.000Z"
    found = kept.get(KEY)
    assert (found.key, found.at, found.holder, found.draft) == (KEY, at, "one", draft())


def test_a_draft_outlives_the_server(kept, tmp_path, clock):
    kept.put("a0007", "one", draft())
    assert Drafts(tmp_path / "event", clock).get("a0007").draft == draft()


def test_events_do_not_see_each_other_s_drafts(kept, tmp_path, clock):
    kept.put(KEY, "one", draft())
    assert Drafts(tmp_path / "other event", clock).all() == []


def test_the_newest_stands_first(kept, clock):
    for name in ("a0001", "a0002", "a0003"):
        kept.put(name, "one", draft())
        clock.wait(1)
    assert [item.key for item in kept.all()] == ["a0003", "a0002", "a0001"]


def test_another_browser_is_refused_for_half_a_minute(kept, clock):
    kept.put(KEY, "one", draft("Siskin"))
    clock.wait(29.9)
    with pytest.raises(HeldError) as refused:
        kept.put(KEY, "two", draft("Dipper"))
    assert (refused.value.holder, refused.value.at) == ("one", "2026-11-25T13:37:00.000Z")
    assert kept.get(KEY).draft == draft("Siskin")
    clock.wait(0.2)
    kept.put(KEY, "two", draft("Dipper"))
    assert kept.get(KEY).holder == "two"


def test_one_that_takes_over_is_not_refused_and_the_first_one_then_is(kept):
    kept.put(KEY, "one", draft())
    kept.put(KEY, "two", draft("Dipper"), take_over=True)
    with pytest.raises(HeldError):
        kept.put(KEY, "one", draft())


def test_a_draft_thrown_away_is_gone_and_throwing_it_away_twice_is_no_error(kept):
    kept.put(KEY, "one", draft())
    kept.remove(KEY)
    kept.remove(KEY)
    with pytest.raises(PageError) as refused:
        kept.get(KEY)
    assert str(refused.value) == f"there is no draft '{KEY}'; it was signed, or thrown away"


@pytest.mark.parametrize("key", ["../a", "a/b", "", "new key", ".hidden", "a" * 65, "größe"])
def test_a_key_that_is_no_name_never_becomes_a_file(kept, key, tmp_path):
    for act in (lambda: kept.put(key, "one", draft()), lambda: kept.get(key)):
        with pytest.raises(PageError):
            act()
    assert list(tmp_path.rglob("*.json")) == []


def test_names_that_differ_only_in_case_are_two_drafts(kept):
    """Some disks take such file names for one."""
    kept.put("a", "one", draft("Siskin"))
    kept.put("A", "one", draft("Dipper"))
    assert kept.get("a").draft == draft("Siskin")
    files = [path.name.casefold() for path in kept.folder.iterdir()]
    assert len(set(files)) == 2


def test_a_full_disk_is_a_sentence_and_the_old_draft_stays(kept, monkeypatch):
    kept.put(KEY, "one", draft("Siskin"))

    def full(descriptor, data):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(disk, "write_all", full)
    with pytest.raises(FolderError, match="the disk is full"):
        kept.put(KEY, "one", draft("Dipper"))
    assert kept.get(KEY).draft == draft("Siskin")
    assert len(list(kept.folder.iterdir())) == 1


def test_a_torn_or_foreign_file_among_them_does_not_block_the_rest(kept):
    kept.put(KEY, "one", draft())
    (kept.folder / "torn.json").write_text('{"key": "new-01', encoding="utf-8")
    (kept.folder / "older.json").write_text(json.dumps({"key": 1, "draft": {"x": 2}}))
    assert [item.key for item in kept.all()] == [KEY]


def test_there_is_an_end_to_how_many_and_how_large(kept, monkeypatch):
    monkeypatch.setattr(drafts_module, "MOST_DRAFTS", 2)
    kept.put("a0001", "one", draft())
    kept.put("a0002", "one", draft())
    with pytest.raises(RecordError) as refused:
        kept.put("a0003", "one", draft())
    assert str(refused.value) == (
        "there are 2 unsigned drafts of this event already; sign or throw away some of them first"
    )
    kept.put("a0002", "one", draft("Dipper"))  # one that is there may still change
    monkeypatch.setattr(drafts_module, "MOST_BYTES", 100)
    with pytest.raises(RecordError, match="bytes, and at most 100 are kept; shorten the notes"):
        kept.put("a0002", "one", draft())


@settings(suppress_health_check=list(HealthCheck), max_examples=50)
@given(st.text(max_size=60), st.text(max_size=60))
def test_any_text_a_draft_accepts_it_gives_back(kept, entry, note):
    """Control characters and lone surrogates are refused at the door, not while writing."""
    try:
        made = AttemptDraft(details=Details(entry=entry, note=note))
    except ValueError:
        return
    kept.put(KEY, "one", made)
    assert kept.get(KEY).draft == made


def test_signing_the_same_new_draft_again_is_answered_from_memory(kept):
    kept.put(KEY, "one", draft())
    kept.note_signed(KEY, draft(), {"id": "a0001"})
    assert kept.signed_before(KEY, draft()) == {"id": "a0001"}
    assert kept.signed_before(KEY, draft("Dipper")) is None
    assert kept.all() == []
