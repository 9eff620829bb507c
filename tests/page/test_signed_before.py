"""A server that ends between the flush of a save and the end of its draft saves nothing twice."""

import pytest

from clipmark.page.drafts import Drafts
from tests.page import marking_kit as kit


def asked(draft: dict) -> dict:
    return {"key": kit.KEY, "by": "M. Fell", "draft": draft, "base_revision": None}


def keep(page, draft: dict) -> None:
    answer = page.put(f"/api/drafts/{kit.KEY}", json={"holder": "one", "draft": draft})
    assert answer.status_code == 200, answer.text


@pytest.fixture
def saved(tmp_path, monkeypatch):
    """A draft that was signed, and what was answered; the server ended before its draft did."""
    with kit.sample_page(tmp_path) as page:
        draft = kit.draft_of(
            clip=kit.clip_of(page, "siskin-climb"),
            marks=kit.marks_of("siskin-climb"),
            details={"try_no": 3, "verdict": "cleared"},
            calls=[{"call": "touch", "t_s": 1.25, "frame": 75, "note": ""}],
        )
        keep(page, draft)
        with monkeypatch.context() as ended:
            ended.setattr(Drafts, "note_signed", lambda *_: None)
            done = page.post("/api/attempts/sign", json=asked(draft))
        assert done.status_code == 200, done.text
        assert [item["key"] for item in page.get("/api/drafts").json()["drafts"]] == [kit.KEY]
    return draft, done.json()


def test_what_was_signed_is_not_offered_as_unsigned(saved, tmp_path):
    with kit.sample_page(tmp_path) as page:
        assert page.get("/api/drafts").json()["drafts"] == []


def test_signed_once_more_it_is_answered_as_before(saved, tmp_path):
    draft, done = saved
    with kit.sample_page(tmp_path) as page:
        before = len(page.get("/api/attempts").json()["attempts"])
        again = page.post("/api/attempts/sign", json=asked(draft)).json()
        assert (again["id"], again["revision"], again["seq"]) == (
            done["id"], done["revision"], done["seq"],
        )  # fmt: skip
        assert again["readings"]["angle"]["ramp_deg"] == done["readings"]["angle"]["ramp_deg"]
        assert len(page.get("/api/attempts").json()["attempts"]) == before


def test_work_that_goes_on_after_a_save_is_kept(saved, tmp_path):
    """The same words as an attempt's, but kept after it was saved: the next try of the day."""
    draft, _ = saved
    with kit.sample_page(tmp_path) as page:
        keep(page, draft)
    with kit.sample_page(tmp_path) as page:
        assert [item["key"] for item in page.get("/api/drafts").json()["drafts"]] == [kit.KEY]


def test_a_draft_that_says_more_than_the_attempt_is_kept(tmp_path):
    """Kept before an attempt of the same clip and marks was saved, but with a note of its own."""
    with kit.sample_page(tmp_path) as page:
        draft = kit.draft_of(details={"try_no": 3, "verdict": "cleared"})
        keep(page, {**draft, "details": draft["details"] | {"note": "hand on the board"}})
        other = asked(draft) | {"key": "new-00000000000000ff"}
        assert page.post("/api/attempts/sign", json=other).status_code == 200
    with kit.sample_page(tmp_path) as page:
        assert [item["key"] for item in page.get("/api/drafts").json()["drafts"]] == [kit.KEY]
