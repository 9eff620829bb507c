"""Signing makes one whole revision, or none; what was signed opens as the draft it was."""

import json
import threading

import pytest

from clipmark import signing
from clipmark.page import routes_attempts
from clipmark.page.jobs import Jobs
from clipmark.record import disk
from clipmark.record.folder import EventFolder
from tests.page import marking_kit as kit


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    with kit.sample_page(tmp_path_factory.mktemp("attempts")) as client:
        yield client


def sign(page, draft: dict, *, key: str = kit.KEY, by: str = "M. Fell", base=None):
    asked = {"key": key, "by": by, "draft": draft, "base_revision": base}
    return page.post("/api/attempts/sign", json=asked)


def signed(page, draft: dict, **more) -> dict:
    answer = sign(page, draft, **more)
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_a_whole_attempt_is_one_revision(page):
    """Marks of every kind, both readings, calls, span with times, lens, verdict."""
    name = "dipper-creep"
    marks = kit.marks_of(name) | {
        "level_u": 0.03,
        "square_within": 4.0,
        "finish": [1000, 100, 1000, 500],
        "wheels": [[660.2, 380.4, 40, 41, 5], [856.7, 331.2, 40, 40, 0]],
        "wheel_mm": 54.0,
        "scale": [312.0, 129.0, 611.0, 132.0],
        "scale_mm": 200.0,
        "facing": "right",
    }
    marks.pop("sheet")
    marks.pop("sheet_size")
    details = {
        "entry": "Dipper", "test": "creep", "try_no": 2, "setup": "as entered",
        "surface": "cord mat", "step_deg": 12.0, "set_start_deg": 11.6, "set_end_deg": 11.5,
        "travel": "up", "progress": 3.0, "penalties": 12.5, "grade": -1.0,
        "verdict": "failed", "reason": "stalled", "called_by": "R. Aldous",
        "note": "first of the day",
    }  # fmt: skip
    sha = kit.clip_of(page, name)
    calls = [{"call": "touch", "t_s": 1.25, "frame": 75, "note": "left gate"}]
    draft = kit.draft_of(clip=sha, marks=marks, details=details, calls=calls)
    page.put(f"/api/drafts/{kit.KEY}", json={"holder": "one", "draft": draft})
    before = page.get("/api/changes").json()["seq"]
    done = signed(page, draft)
    lines = page.get("/api/changes", params={"after": before}).json()["lines"]
    assert [line["id"] for line in lines if line["kind"] == "attempt"] == [done["id"]]
    attempt = page.get(f"/api/attempts/{done['id']}").json()
    body = attempt["body"]
    assert {mark["role"] for mark in body["marks"]} == {
        "ramp", "level", "hubs", "travel", "scale", "finish", "body", "wheel",
    }  # fmt: skip
    by_role = {mark["role"]: mark for mark in body["marks"]}
    assert by_role["level"]["u_deg"] == 0.03
    assert by_role["scale"]["length_mm"] == 200
    assert by_role["wheel"]["diameter_mm"] == 54
    assert (body["span"]["first_frame"], body["span"]["last_frame"]) == (0, 239)
    assert body["span"]["last_t_s"] == pytest.approx(239 / 60, abs=1e-3)
    assert body["lens"]["path"] == "lenses/pipit-720.json"
    assert len(body["lens"]["sha256"]) == 64
    assert body["calls"][0] == {"call": "touch", "t_s": 1.25, "frame": 75, "note": "left gate"}
    assert (body["verdict"], body["reason"], body["marked_by"]) == ("failed", "stalled", "M. Fell")
    assert [reading["measure"] for reading in body["readings"]] == ["angle", "crawl"]
    assert body["readings"][0]["result"] == attempt["readings"]["angle"]
    assert (
        done["readings"]["crawl"]["mean_speed_mm_s"]
        == (attempt["readings"]["crawl"]["mean_speed_mm_s"])
    )
    graded = attempt["readings"]["crawl"]["grade"]  # the rule sheet grades a creep, not the hand
    assert (graded["test"], body["grade"]) == ("creep", graded["grade"])
    assert done["readings"]["crawl"]["grade"] == graded
    details["grade"] = graded["grade"]
    for group, given in (("marks", marks), ("details", details)):
        for field, value in given.items():
            assert attempt["draft"][group][field] == value, field
    assert page.get("/api/drafts").json()["drafts"] == []


def test_what_was_signed_is_there_when_another_program_opens_the_folder(page):
    done = signed(page, kit.draft_of(details={"note": "called only"}), key="new-" + "1" * 16)
    with EventFolder.open(page.desk.event_path) as other:
        assert other.attempt(done["id"]).attempt.note == "called only"


def test_an_attempt_without_a_clip_is_called_only(page):
    calls = [{"call": "touch", "t_s": 3.5, "frame": None, "note": ""}]
    done = signed(page, kit.draft_of(calls=calls), key="new-" + "2" * 16)
    body = page.get(f"/api/attempts/{done['id']}").json()["body"]
    assert (body["clip"], body["readings"], len(body["calls"])) == (None, [], 1)
    assert done["readings"] == dict.fromkeys(("angle", "crawl", "climb", "tilt"))


def test_marks_that_give_no_reading_yet_are_signed_all_the_same(page):
    sha = kit.clip_of(page, "siskin-climb")
    draft = kit.draft_of(clip=sha, marks={"frame": 3, "ramp": [513, 854, 1423, 223]})
    done = signed(page, draft, key="new-" + "3" * 16)
    again = page.get(f"/api/attempts/{done['id']}").json()["draft"]["marks"]
    assert (again["frame"], again["ramp"]) == (3, [513, 854, 1423, 223])
    assert done["readings"]["angle"] is None


def test_a_lost_answer_may_be_asked_again_without_a_second_attempt(page):
    draft = kit.draft_of(details={"note": "asked twice"})
    first = signed(page, draft, key="new-" + "4" * 16)
    assert signed(page, draft, key="new-" + "4" * 16) == first
    notes = [saved.attempt.note for saved in page.desk.event.attempts()]
    assert notes.count("asked twice") == 1


def test_asked_twice_at_once_one_attempt_is_saved(page, monkeypatch):
    """A second press while the first is still being measured."""
    both, answers = threading.Barrier(2), []
    measure = routes_attempts.results_for

    def together(*given):
        both.wait(10)
        return measure(*given)

    monkeypatch.setattr(routes_attempts, "results_for", together)
    draft = kit.draft_of(details={"note": "pressed twice"})

    def press() -> None:
        answers.append(signed(page, draft, key="new-" + "ab" * 8))

    threads = [threading.Thread(target=press) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(20)
    assert answers[0] == answers[1]
    notes = [saved.attempt.note for saved in page.desk.event.attempts()]
    assert notes.count("pressed twice") == 1


def test_changed_after_a_lost_answer_it_is_a_newer_revision_not_a_second_attempt(page):
    key = "new-" + "cd" * 8
    first = signed(page, kit.draft_of(details={"note": "answer lost"}), key=key)
    changed = kit.draft_of(details={"note": "answer lost", "verdict": "cleared"})
    refused = sign(page, changed, key=key)
    assert refused.status_code == 409
    theirs = refused.json()["theirs"]
    assert (theirs["id"], theirs["revision"]) == (first["id"], 1)
    on_top = signed(page, changed, key=key, base=theirs["revision"])
    assert (on_top["id"], on_top["revision"]) == (first["id"], 2)


def test_signing_over_a_newer_revision_is_refused_with_both_shown(page):
    done = signed(page, kit.draft_of(), key="new-" + "5" * 16)
    mine = page.get(f"/api/attempts/{done['id']}").json()["draft"]
    theirs = {**mine, "details": {**mine["details"], "verdict": "cleared"}}
    signed(page, theirs, key=done["id"], by="J. Beck", base=1)
    mine["details"]["verdict"] = "void"
    refused = sign(page, mine, key=done["id"], base=1)
    assert refused.status_code == 409
    answer = refused.json()
    assert answer["error"] == (
        f"attempt {done['id']} has revision 2, saved by J. Beck, but these marks were started from "
        "revision 1; look at both, and sign the one that holds from there"
    )
    assert (answer["theirs"]["revision"], answer["theirs"]["by"]) == (2, "J. Beck")
    assert answer["theirs"]["body"]["verdict"] == "cleared"
    assert answer["theirs"]["draft"]["details"]["verdict"] == "cleared"
    assert page.get(f"/api/attempts/{done['id']}").json()["revision"] == 2


def test_of_many_who_sign_the_same_revision_at_once_one_is_saved(page):
    done = signed(page, kit.draft_of(), key="new-" + "6" * 16)
    draft = page.get(f"/api/attempts/{done['id']}").json()["draft"]
    statuses = []

    def one(number: int) -> None:
        own = {**draft, "details": {**draft["details"], "note": str(number)}}
        statuses.append(sign(page, own, key=done["id"], by=f"J{number}", base=1).status_code)

    threads = [threading.Thread(target=one, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(statuses) == [200, 409, 409, 409, 409, 409]
    assert page.get(f"/api/attempts/{done['id']}").json()["revision"] == 2


def test_a_reading_whose_marks_did_not_change_is_kept_as_it_was_measured(page, monkeypatch):
    """So that a change of the verdict never depends on the clip or on newer software."""
    sha = kit.clip_of(page, "siskin-stall")
    marks = kit.marks_of("siskin-stall") | {"span": [0, 60]}
    done = signed(page, kit.draft_of(clip=sha, marks=marks), key="new-" + "7" * 16)
    attempt = page.get(f"/api/attempts/{done['id']}").json()
    monkeypatch.setattr(Jobs, "kept", None)
    monkeypatch.setattr(Jobs, "crawl", None)  # measuring anything would fail
    attempt["draft"]["details"]["verdict"] = "cleared"
    signed(page, attempt["draft"], key=done["id"], base=1)
    again = page.get(f"/api/attempts/{done['id']}").json()
    assert again["body"]["readings"] == attempt["body"]["readings"]
    assert again["body"]["marks"] == attempt["body"]["marks"]


@pytest.mark.slow
def test_a_reading_made_with_another_lens_file_is_measured_anew(page):
    """Else it would be recorded as made with the lens file that lies there now."""
    sha = kit.clip_of(page, "siskin-climb")
    lenses = page.desk.event_path / "lenses"
    marks = kit.marks_of("siskin-climb")
    lens = json.loads((lenses / marks["lens"]).read_text())
    marks["lens"] = "own.json"
    (lenses / "own.json").write_text(json.dumps(lens))
    done = signed(page, kit.draft_of(clip=sha, marks=marks), key="new-" + "ef" * 8)
    before = page.get(f"/api/attempts/{done['id']}").json()
    lens["cy"] += 25.0
    (lenses / "own.json").write_text(json.dumps(lens))
    signed(page, before["draft"], key=done["id"], base=1)
    after = page.get(f"/api/attempts/{done['id']}").json()
    assert after["body"]["lens"]["sha256"] != before["body"]["lens"]["sha256"]
    assert after["readings"]["angle"]["ramp_deg"] != before["readings"]["angle"]["ramp_deg"]


def test_a_verdict_can_be_changed_when_the_clip_is_not_there_any_more(page):
    sha = kit.clip_of(page, "siskin-stall")
    marks = kit.marks_of("siskin-stall") | {"span": [0, 60]}
    done = signed(page, kit.draft_of(clip=sha, marks=marks), key="new-" + "fe" * 8)
    before = page.get(f"/api/attempts/{done['id']}").json()
    path = page.desk.shelf.path(sha)
    away = path.with_name(".away")
    path.rename(away)
    try:
        page.get("/api/clips")
        before["draft"]["details"]["verdict"] = "cleared"
        signed(page, before["draft"], key=done["id"], base=1)
    finally:
        away.rename(path)
        page.get("/api/clips")
    after = page.get(f"/api/attempts/{done['id']}").json()
    for kept in ("span", "clip", "readings", "marks"):
        assert after["body"][kept] == before["body"][kept], kept
    assert after["body"]["verdict"] == "cleared"


def test_while_the_clip_of_one_attempt_is_hashed_others_can_be_signed(page, monkeypatch):
    """Where a clip lies is found out before the event is locked."""
    sha = kit.clip_of(page, "siskin-stall")
    monkeypatch.setattr(signing, "clip_sha256", lambda path: pytest.fail("hashed in the lock"))
    done = signed(page, kit.draft_of(clip=sha), key="new-" + "dc" * 8)
    body = page.get(f"/api/attempts/{done['id']}").json()["body"]
    assert body["clip"] == {"path": "clips/siskin-stall.mp4", "sha256": sha}


def test_a_reading_whose_marks_were_taken_away_goes_with_them(page):
    sha = kit.clip_of(page, "siskin-climb")
    marks = kit.marks_of("siskin-climb")
    done = signed(page, kit.draft_of(clip=sha, marks=marks), key="new-" + "8" * 16)
    assert done["readings"]["angle"] is not None
    draft = page.get(f"/api/attempts/{done['id']}").json()["draft"]
    draft["marks"]["ramp"] = None
    signed(page, draft, key=done["id"], base=1)
    assert page.get(f"/api/attempts/{done['id']}").json()["readings"]["angle"] is None


def test_one_attempt_over_two_files_and_two_cameras(page):
    clips = [kit.clip_of(page, name) for name in ("siskin-climb", "siskin-stall", "dipper-creep")]
    further = [
        {"clip": clips[1], "as": "continues", "offset_s": None},
        {"clip": clips[2], "as": "second camera", "offset_s": 0.35},
    ]
    draft = kit.draft_of(clip=clips[0], further_clips=further)
    done = signed(page, draft, key="new-" + "9" * 16)
    attempt = page.get(f"/api/attempts/{done['id']}").json()
    assert attempt["draft"]["further_clips"] == further
    assert attempt["body"]["further_clips"][1] == {
        "clip": {"path": "clips/dipper-creep.mp4", "sha256": clips[2]},
        "joins": "second camera",
        "offset_s": 0.35,
    }


@pytest.mark.parametrize(
    ("draft", "sentence"),
    [
        (
            kit.draft_of(details={"entry": None}),
            "an attempt needs its entry and its test before it can be signed; fill them in on the "
            "slip",
        ),
        (
            kit.draft_of(details={"verdict": "cleared", "reason": "spun"}),
            "the attempt cannot be recorded: the reason 'spun' has no place where the verdict is "
            "cleared; leave it out, or give the verdict failed or void",
        ),
        (
            kit.draft_of(calls=[{"call": "wobble", "t_s": 1}]),
            "the call 'wobble' is not known; give one of touch, reverse, rollover, marker, "
            "reposition, out-of-time, or name it under calls of a test in event.toml",
        ),
        (
            kit.draft_of(stand="nowhere"),
            "there is no stand 'nowhere'; save it first, or choose another",
        ),
    ],
)
def test_what_cannot_be_signed_is_refused_in_a_sentence_and_nothing_is_saved(page, draft, sentence):
    before = page.get("/api/changes").json()["seq"]
    refused = sign(page, draft, key="new-" + "a" * 16)
    assert (refused.status_code, refused.json()["error"]) == (400, sentence)
    assert page.get("/api/changes").json()["seq"] == before


def test_a_span_beyond_the_clip_is_refused(page):
    sha = kit.clip_of(page, "siskin-stall")
    refused = sign(page, kit.draft_of(clip=sha, marks={"span": [0, 9_999]}), key="new-" + "b" * 16)
    assert refused.json()["error"] == (
        "the span 0:9999 ends after the clip, whose last frame is 203; mark an end inside the clip"
    )


def test_a_crawl_that_fails_says_what_to_take_away(page):
    sha = kit.clip_of(page, "siskin-stall")
    marks = kit.marks_of("siskin-stall") | {"patch": [5, 5, 4, 4]}
    refused = sign(page, kit.draft_of(clip=sha, marks=marks), key="new-" + "c" * 16)
    assert refused.status_code == 400
    assert refused.json()["error"].endswith(
        "(nothing was signed; measure it again, or take the body patch away to sign without it)"
    )


def test_a_full_disk_is_a_sentence_and_the_draft_stays(page, monkeypatch):
    key = "new-" + "d" * 16
    draft = kit.draft_of(details={"note": "no room"})
    page.put(f"/api/drafts/{key}", json={"holder": "one", "draft": draft})
    before = page.get("/api/changes").json()["seq"]

    def full(descriptor, data):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(disk, "write_all", full)
        refused = sign(page, draft, key=key)
    assert refused.status_code == 507
    assert "the disk is full; free some space and repeat, nothing was changed" in refused.text
    assert page.get("/api/changes").json()["seq"] == before
    assert page.get(f"/api/drafts/{key}").json()["draft"]["details"]["note"] == "no room"
    assert signed(page, draft, key=key)["revision"] == 1


def test_the_list_shows_the_newest_revision_of_each(page):
    details = {"step_deg": 35.0, "verdict": "cleared"}
    done = signed(page, kit.draft_of(details=details), key="new-" + "e" * 16)
    page.put(f"/api/drafts/{done['id']}", json={"holder": "one", "draft": kit.draft_of()})
    rows = page.get("/api/attempts").json()["attempts"]
    row = next(row for row in rows if row["id"] == done["id"])
    assert (row["revision"], row["trusted"], row["entry"], row["test"]) == (
        1,
        True,
        "Siskin",
        "creep",
    )
    assert (row["step_deg"], row["verdict"], row["has_draft"]) == (35.0, "cleared", True)
    assert set(row) >= {
        "ramp_deg", "ramp_u95_deg", "chassis_deg", "chassis_u95_deg", "mean_speed_mm_s",
        "mean_speed_u95_mm_s", "clip_sha", "clip_name", "first_frame", "last_frame", "marked_by",
        "marked_at", "try_no", "reason",
    }  # fmt: skip


def test_every_revision_is_listed_with_its_hash(page):
    done = signed(page, kit.draft_of(), key="new-" + "f" * 16)
    draft = page.get(f"/api/attempts/{done['id']}").json()["draft"]
    signed(page, {**draft, "calls": [{"call": "reverse", "t_s": 2.0}]}, key=done["id"], base=1)
    found = page.get(f"/api/attempts/{done['id']}/history").json()["revisions"]
    assert [(line["revision"], line["by"]) for line in found] == [(1, "M. Fell"), (2, "M. Fell")]
    assert all(len(line["sha256"]) == 64 for line in found)


def test_what_each_revision_changed_is_said_in_words(page):
    details = {"step_deg": 35.0, "penalties": 10.0, "verdict": "failed", "reason": "out-of-time"}
    done = signed(page, kit.draft_of(details=details), key="new-" + "aa" * 8)
    draft = page.get(f"/api/attempts/{done['id']}").json()["draft"]
    draft["details"] |= {"verdict": "cleared", "reason": None, "penalties": 0.0}
    draft["calls"] = [{"call": "reverse", "t_s": 2.0}]
    signed(page, draft, key=done["id"], by="J. Beck", base=1)
    first, second = page.get(f"/api/attempts/{done['id']}/history").json()["revisions"]
    assert first["changes"] == []  # there was none before
    assert second["by"] == "J. Beck"
    assert second["changes"] == [
        {"field": "penalties", "before": "10", "after": "0"},
        {"field": "verdict", "before": "failed", "after": "cleared"},
        {"field": "reason", "before": "out of time", "after": "not given"},
        {"field": "calls", "before": "not given", "after": "reverse 2.000 s"},
    ]


def test_an_old_revision_can_be_signed_anew_on_top_of_the_newest(page):
    sha = kit.clip_of(page, "siskin-climb")
    marks = kit.marks_of("siskin-climb")
    done = signed(page, kit.draft_of(clip=sha, marks=marks), key="new-" + "bb" * 8)
    draft = page.get(f"/api/attempts/{done['id']}").json()["draft"]
    draft["marks"]["ramp"][0] += 4.0
    draft["details"]["grade"] = 2.0
    signed(page, draft, key=done["id"], base=1)
    old = page.get(f"/api/attempts/{done['id']}/revisions/1").json()
    assert (old["revision"], old["newest"], old["by"]) == (1, 2, "M. Fell")
    assert old["draft"]["base_revision"] == 2
    assert old["draft"]["details"]["grade"] is None
    assert old["draft"]["marks"]["ramp"] == marks["ramp"]
    assert old["readings"]["angle"] == done["readings"]["angle"]
    again = signed(page, old["draft"], key=done["id"], base=2)
    assert again["revision"] == 3
    body = page.get(f"/api/attempts/{done['id']}").json()["body"]
    ours, theirs = ({mark["role"]: mark for mark in one["marks"]} for one in (body, old["body"]))
    assert ours == theirs
    assert body["readings"][0]["result"] == old["body"]["readings"][0]["result"]
    assert body["grade"] is None


def test_a_revision_that_is_not_there_is_refused_in_a_sentence(page):
    done = signed(page, kit.draft_of(), key="new-" + "cc" * 8)
    answer = page.get(f"/api/attempts/{done['id']}/revisions/7")
    assert (answer.status_code, answer.json()["error"]) == (
        404,
        f"attempt {done['id']} has no revision 7, its newest is 1; open the list again",
    )


def test_of_an_attempt_that_is_not_there_it_says_so(page):
    paths = ("a9999", "a9999/history", "a9999/revisions/1")
    for path in (f"/api/attempts/{path}" for path in paths):
        answer = page.get(path)
        assert (answer.status_code, answer.json()["error"]) == (
            404,
            "there is no attempt 'a9999' in this event; open the list again",
        )


def test_another_browser_is_told_who_holds_a_draft(page):
    key = "new-" + "0" * 16
    page.put(f"/api/drafts/{key}", json={"holder": "one", "draft": kit.draft_of()})
    refused = page.put(f"/api/drafts/{key}", json={"holder": "two", "draft": kit.draft_of()})
    assert (refused.status_code, refused.json()["holder"]) == (409, "one")
    assert refused.json()["at"].endswith("Z")
    taken = {"holder": "two", "draft": kit.draft_of(), "take_over": True}
    assert page.put(f"/api/drafts/{key}", json=taken).status_code == 200
    assert page.get(f"/api/drafts/{key}").json()["holder"] == "two"
    assert page.delete(f"/api/drafts/{key}").status_code == 204
    assert page.get(f"/api/drafts/{key}").status_code == 404
