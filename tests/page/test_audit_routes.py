"""A disputed result on the page: asked, entered, ruled, repeated, and the journal's chain."""

import time

import pytest

from tests.page import marking_kit as kit

VERDICT = {"verdict": "failed", "reason": "spun", "called_by": "R. Aldous"}


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    with kit.sample_page(tmp_path_factory.mktemp("audits")) as client:
        yield client


@pytest.fixture(scope="module")
def climb(page):
    """A signed climb: id of the attempt, and its ramp angle as it was read."""
    marks = kit.marks_of("siskin-climb")
    draft = kit.draft_of(
        clip=kit.clip_of(page, "siskin-climb"),
        marks=marks,
        details={"entry": "Siskin", "test": "board ladder", **VERDICT},
    )
    asked = {"key": kit.KEY, "by": "M. Fell", "draft": draft, "base_revision": None}
    done = page.post("/api/attempts/sign", json=asked)
    assert done.status_code == 200, done.text
    return done.json()["id"], done.json()["readings"]["angle"]["ramp_deg"]


def ended(page, started):
    assert started.status_code == 202, started.text
    place = f"/api/errands/{started.json()['errand']}"
    for _ in range(600):
        now = page.get(place).json()
        if now["state"] != "running":
            return now
        time.sleep(0.05)
    raise AssertionError(now)


def asked_of_footage(page, id, claim):
    started = page.post(f"/api/attempts/{id}/ruling", json={"claim": claim})
    return started.json()["errand"], ended(page, started)


def test_a_protest_is_ruled_on_and_the_judge_s_call_stays(page, climb):
    """A claim 1 deg below the reading stands; list, claims and life say so."""
    id, ramp_deg = climb
    before = page.get(f"/api/attempts/{id}").json()["body"]
    claim = f"ramp >= {abs(ramp_deg) - 1:.1f} deg"
    errand, told = asked_of_footage(page, id, claim)
    assert told["state"] == "done", told
    assert told["result"]["outcome"] == "stands"
    assert page.get(f"/api/attempts/{id}").json()["body"] == before  # nothing is saved by asking
    filed = page.post(
        f"/api/attempts/{id}/protests",
        json={"claim": claim, "by": "N. Marsh", "protested_by": "B. Brook", "errand": errand},
    )
    assert filed.status_code == 200, filed.text
    after = page.get(f"/api/attempts/{id}").json()["body"]
    changed = {name for name in after if after[name] != before[name]}
    assert changed == {"claim", "ruling"}
    row = next(r for r in page.get("/api/attempts").json()["attempts"] if r["id"] == id)
    assert (row["verdict"], row["ruling"]["outcome"]) == ("failed", "stands")
    assert row["protested_by"] == "B. Brook"
    protest = page.get(f"/api/attempts/{id}/claims").json()["protests"][-1]
    assert protest["ruling"]["by"] == "N. Marsh"
    kinds = [line["kind"] for line in page.get(f"/api/attempts/{id}/life").json()["lines"]]
    assert {"attempt", "protest", "ruling"} <= set(kinds)


@pytest.mark.slow  # the command line holds the same by the same functions
def test_a_protest_may_be_entered_first_and_ruled_on_later(page, climb):
    id, ramp_deg = climb
    claim = f"ramp <= {abs(ramp_deg) - 1:.1f} deg"
    entered = page.post(
        f"/api/attempts/{id}/protests", json={"claim": claim, "by": "N. Marsh"}
    ).json()
    assert entered["ruled"] is False
    held = page.get(f"/api/attempts/{id}/claims").json()["protests"][-1]
    assert held["ruling"] is None
    errand, told = asked_of_footage(page, id, claim)
    assert told["result"]["outcome"] == "falls"
    asked = {"claim": claim, "by": "N. Marsh", "errand": errand, "protest": entered["protest"]}
    assert page.post(f"/api/attempts/{id}/protests", json=asked).status_code == 200
    held = page.get(f"/api/attempts/{id}/claims").json()["protests"][-1]
    assert held["ruling"]["outcome"] == "falls"


@pytest.mark.slow
def test_a_claim_that_was_changed_since_is_not_ruled_on_with_the_old_answer(page, climb):
    id, ramp_deg = climb
    errand, _ = asked_of_footage(page, id, f"ramp >= {abs(ramp_deg) - 1:.1f} deg")
    asked = {"claim": "ramp >= 80 deg", "by": "N. Marsh", "errand": errand}
    refused = page.post(f"/api/attempts/{id}/protests", json=asked)
    assert refused.status_code == 400
    assert "was changed since the footage was asked" in refused.json()["error"]


def test_a_judge_s_call_is_not_ruled_on(page, climb):
    refused = page.post(f"/api/attempts/{climb[0]}/ruling", json={"claim": "touched >= 1"})
    assert refused.status_code == 400
    assert "judge" in refused.json()["error"]


def test_readings_come_back_equal_when_they_are_repeated(page, climb):
    told = ended(page, page.post(f"/api/attempts/{climb[0]}/replay"))
    assert told["state"] == "done", told
    assert told["result"]["agrees"] is True


def test_the_journal_is_checked_when_the_page_starts_and_when_asked(page, climb):
    def checked():
        for _ in range(200):
            now = page.get("/api/journal/check").json()
            if not now["running"]:
                return now
            time.sleep(0.05)
        raise AssertionError(now)

    assert checked()["error"] is None  # of the start
    assert page.post("/api/journal/check", json={"clips": True}).status_code == 202
    found = checked()["check"]
    lines = page.desk.event.journal.entries
    assert found["whole"] is True
    assert found["head"] == lines[-1].sha256


def test_a_journal_that_was_changed_is_told_by_its_line(tmp_path):
    with kit.sample_page(tmp_path) as client:
        draft = kit.draft_of()
        asked = {"key": kit.KEY, "by": "M. Fell", "draft": draft, "base_revision": None}
        assert client.post("/api/attempts/sign", json=asked).status_code == 200
        journal = client.desk.event_path / "journal.jsonl"
        last = len(journal.read_bytes().splitlines())
        journal.write_bytes(journal.read_bytes().replace(b"M. Fell", b"M. Fall"))
        client.post("/api/journal/check", json={})
        for _ in range(200):
            now = client.get("/api/journal/check").json()
            if not now["running"]:
                break
            time.sleep(0.05)
        assert now["check"]["whole"] is False
        assert any(f["line"] == last for f in now["check"]["findings"])
