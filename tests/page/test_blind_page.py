"""The blind page tells a marker nothing but the picture, and takes what is marked on it."""

import json
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from clipmark.audit import repeat
from clipmark.audit.blind import close_plan, make_plan, the_plan
from clipmark.audit.blind_compare import compare
from clipmark.measure.angle import measure_angle
from clipmark.page.app import STATIC
from clipmark.page.blind_app import create_blind_app
from clipmark.page.blind_words import scrubbed
from clipmark.page.page_builder import PageCaches
from clipmark.page.security import Doors
from clipmark.record.folder import EventFolder
from tests.audit import blind_kit as kit

HOMES = ("XDG_CACHE_HOME", "XDG_STATE_HOME", "XDG_LOG_HOME")
WRONG = "0" * 32


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return kit.make_event(tmp_path_factory.mktemp("measured"))


@pytest.fixture
def event_path(measured: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(measured, tmp_path / measured.name))


@contextmanager
def served(event_path: Path, plan: str = "b001") -> Iterator[TestClient]:
    """The page of a plan, entered with its key; ``client.desk`` knows what the marker does not."""
    with pytest.MonkeyPatch.context() as patch:
        for name in HOMES:
            patch.setenv(name, str(event_path.parent / name.lower()))
        # how finely the budget is drawn matters to none of these tests
        patch.setattr(repeat, "measure_angle", partial(measure_angle, budget_draws=200))
        patch.setattr(PageCaches, "want", lambda *_: None)  # small pictures of the whole clip
        doors = Doors.loopback(8000)
        app = create_blind_app(event_path, plan, doors)
        with TestClient(app, "http://127.0.0.1:8000", raise_server_exceptions=False) as client:
            client.desk = app._app.state.desk  # type: ignore[attr-defined]
            client.doors = doors  # type: ignore[attr-defined]
            client.get("/", params={"key": doors.key})
            yield client


@pytest.fixture
def page(event_path: Path) -> Iterator[TestClient]:
    with EventFolder.open(event_path) as event:
        make_plan(event, "Brook", repeats=1, seed=5)
    with served(event_path) as client:
        yield client


def token_of(client: TestClient) -> str:
    return str(client.get("/api/now").json()["token"])


def address(client: TestClient, rest: str) -> str:
    return f"/api/pictures/{token_of(client)}/{rest}"


def work(**more: Any) -> dict[str, Any]:
    return {"marks": kit.marks(), **more}


def forbidden(event_path: Path) -> list[re.Pattern[str]]:
    """Everything that would tell a marker which attempt it is, or what was measured."""
    with EventFolder.open(event_path) as event:
        saved = event.attempts()
        clip = saved[0].attempt.clip
        lens = saved[0].attempt.lens
        reading = saved[0].attempt.reading("angle")
        assert clip is not None
        assert lens is not None
        assert reading is not None
        numbers = [value for _, value, _ in reading.values()]
    names = [*kit.ENTRIES, kit.SIGNER, kit.CALLER, kit.TEST, kit.NOTE, kit.FOLDER]
    names += ["Kestrel Moor", Path(kit.CLIP).stem, Path(kit.LENS).stem, *(s.id for s in saved)]
    names += [clip.sha256[:12], str(lens.sha256)[:12], reading.fingerprint[:12]]
    rounded = {f"{abs(value):.{places}f}" for value in numbers for places in (1, 2, 3, 4)}
    found = [re.compile(re.escape(name), re.IGNORECASE) for name in names]
    found += [re.compile(rf"(?<![\d.]){re.escape(text)}(?!\d)") for text in sorted(rounded)]
    whole = [f"{abs(value):.6f}"[:-1] for value in numbers]  # at full length, cut and not rounded
    return [*found, *(re.compile(rf"(?<![\d.]){re.escape(text)}") for text in whole)]


def told(answer: Any) -> str:
    """Everything of an answer that a marker can read; of a picture its headers alone."""
    head = "\n".join(f"{name}: {value}" for name, value in answer.headers.items())
    kind = answer.headers.get("content-type", "")
    return head + ("" if kind.startswith("image/") else f"\n{answer.text}")


def every_answer(client: TestClient) -> list[Any]:
    """Every route of the page: as it is meant, with a wrong token, beyond the end, and nonsense."""
    schema = client.get("/api/schema.json")
    answers = [schema, client.get("/"), client.get("/api/attempts"), client.get("/api/clips")]
    token = token_of(client)
    bodies: dict[str, list[Any]] = {
        "here": [{"ordinal": 3}, {"ordinal": 999_999}],
        "fit": [
            {"frame": 9, "what": "ramp", "line": kit.marks()["ramp"]},
            {"frame": 9, "what": "ramp", "line": [5, 5, 90, 9]},
            {"frame": 9, "what": "plumb", "line": [5, 5, 5.5, 9]},
            {"frame": 9, "what": "hub", "point": [30, 30]},
            {"frame": 9, "what": "hub"},
            {"frame": 999_999, "what": "ramp", "line": [5, 5, 90, 90]},
        ],
        "work": [work(), work(verdict="failed", reason="spun"), work(reason="spun")],
        "sign": [
            {"work": {"marks": {"ramp": kit.marks()["ramp"]}}},
            {"work": {"marks": {**kit.marks(), "ramp": [5, 5, 9, 9]}}},
            {"work": {"marks": {**kit.marks(), "plumb": [5, 700, 900, 702]}}},
        ],
        "close": [],
    }
    for path, methods in schema.json()["paths"].items():
        for method in methods:
            tail = path.rsplit("/", 1)[-1]
            for name in (token, WRONG, "nonsense"):
                for place in (0, 9, 100_000) if "{place}" in path else (0,):
                    url = path.replace("{token}", name).replace("{place}", str(place))
                    url += "?x=10&y=10&w=64&h=64" if tail == "crop.png" else ""
                    for body in [*bodies.get(tail, [None]), {"nonsense": 1}]:
                        if tail == "close":
                            continue
                        sent = {} if method == "get" else {"json": body}
                        answers.append(client.request(method.upper(), url, **sent))
    return answers


def test_no_answer_of_any_route_tells_names_numbers_or_hashes(page, event_path):
    answers = every_answer(page)
    signed = page.post(address(page, "sign"), json={"work": work(verdict="cleared")})
    assert signed.json() == {"kept": 1, "total": 4, "sentence": "Kept, 1 of 4."}
    answers += [signed, page.get("/api/now"), page.post("/api/close"), page.get("/api/now")]
    assert {answer.status_code for answer in answers} >= {200, 204, 400, 404, 422}
    secrets = forbidden(event_path)
    for answer in answers:
        text = told(answer)
        found = [secret.pattern for secret in secrets if secret.search(text)]
        assert not found, (str(answer.url), found, text[:400])


def test_pictures_are_kept_by_no_cache_and_named_by_no_content(page):
    for rest in ("frames/9.jpg", "frames/9/crop.png?x=0&y=0&w=8&h=8"):
        answer = page.get(address(page, rest))
        assert answer.status_code == 200
        assert answer.headers["cache-control"] == "no-store"
        assert not {"etag", "last-modified", "content-disposition"} & set(answer.headers)


def test_the_routes_of_the_marking_page_are_not_there(page):
    for path in ("attempts", "clips", "event", "drafts", "changes", "stands", "session"):
        answer = page.get(f"/api/{path}")
        assert (answer.status_code, answer.json()["error"]) == (
            404,
            "there is nothing at this address; open the page anew",
        )


def test_nothing_is_given_without_the_key(event_path, page):
    stranger = TestClient(page.app, "http://127.0.0.1:8000")
    for path in ("/", "/api/now", "/api/schema.json", f"/api/pictures/{WRONG}/frames/0.jpg"):
        assert stranger.get(path).status_code == 401
    assert stranger.get("/", params={"key": "A" * 32}).status_code == 403


def test_frames_far_from_the_attempt_are_refused(page):
    picture = page.get("/api/now").json()["picture"]
    count = picture["frame_count"]
    assert page.get(address(page, f"frames/{count - 1}.jpg")).status_code == 200
    for rest in (f"frames/{count}.jpg", f"preview/{count}.jpg", "frames/100000.jpg"):
        assert page.get(address(page, rest)).status_code == 404
    shown = page.desk.shown(picture["token"]).window.ordinals
    assert min(shown) >= kit.SPAN[0] - 14
    assert max(shown) <= kit.SPAN[1] + 14


def test_only_the_picture_to_be_marked_now_can_be_asked_for(page):
    others = [token for token in page.desk._tokens if token != token_of(page)]
    assert len(others) == 3
    for token in others:
        assert page.get(f"/api/pictures/{token}/frames/0.jpg").status_code == 404
        answer = page.post(f"/api/pictures/{token}/sign", json={"work": work()})
        assert answer.status_code == 404


def test_an_attempt_shown_twice_is_told_apart_from_no_other_by_the_answers(page):
    """All three attempts are of one clip and span, so every showing would look the same."""
    seen = []
    for _ in range(4):
        now = page.get("/api/now").json()
        seen.append(now["picture"])
        page.post(f"/api/pictures/{now['token']}/sign", json={"left_out": "seen enough"})
    assert page.get("/api/now").json()["state"] == "done"
    assert len({picture["token"] for picture in seen}) == 4
    told_of = [
        {name: value for name, value in p.items() if name not in ("token", "frame", "times_s")}
        for p in seen
    ]
    assert len({json.dumps({**p, "frame_count": 0}) for p in told_of}) == 1
    assert {(p["frame"], p["frame_count"]) for p in seen} != {(9, 23)}


def test_margins_hide_how_long_an_attempt_is(event_path, page):
    picture = page.get("/api/now").json()["picture"]
    with served(event_path) as again:  # the same picture once more, as a repeat would show it
        other = again.get("/api/now").json()["picture"]
        third = [again.desk._look(1).window for _ in range(8)]
    lengths = {len(window.ordinals) for window in third}
    assert len(lengths | {picture["frame_count"], other["frame_count"]}) > 3


def test_a_mark_that_cannot_be_measured_is_said_without_numbers(page):
    marks = {**kit.marks(), "plumb": [105, 700, 900, 702]}
    answer = page.post(address(page, "sign"), json={"work": {"marks": marks}})
    assert answer.status_code == 400
    assert answer.json()["error"].startswith("the plumb line leans by only … deg in the picture")
    assert not re.search(r"\d", answer.json()["error"])
    assert page.get("/api/now").json()["kept"] == 0


def test_what_is_missing_is_named(page):
    answer = page.post(address(page, "sign"), json={"work": {"marks": {}}})
    assert answer.json()["error"] == (
        "not everything is marked: mark plumb line, ramp line as well"
    )


def test_signing_once_more_when_the_answer_was_lost_changes_nothing(page, event_path):
    url = address(page, "sign")
    first = page.post(url, json={"left_out": "a hand covers it"})
    assert page.post(url, json={"left_out": "a hand covers it"}).json() == first.json()
    with EventFolder.open(event_path) as event:
        assert list(the_plan(event, "b001").markings) == [1]
        assert len(event.history("b001-001", "blind")) == 1


def test_unsigned_marks_survive_a_server_that_is_started_again(event_path, page):
    assert page.put(address(page, "work"), json=work(verdict="void")).status_code == 204
    with served(event_path) as again:
        now = again.get("/api/now").json()
        assert now["token"] != token_of(page)
        assert now["work"]["marks"]["ramp"] == kit.marks()["ramp"]
        assert now["work"]["verdict"] == "void"


def test_a_picture_whose_clip_is_gone_can_be_left_without_its_name_being_told(event_path, page):
    (event_path / "clips" / kit.CLIP).unlink()
    with served(event_path) as again:
        now = again.get("/api/now")
        assert now.json()["picture"] is None
        assert "sign it as one that cannot be marked" in now.json()["sentence"]
        assert kit.CLIP not in now.text
        answer = again.post(address(again, "sign"), json={"left_out": "no picture"})
        assert answer.json()["kept"] == 1


def test_a_defect_is_told_in_general_words(page, monkeypatch):
    def broken(*_: object) -> None:
        raise ZeroDivisionError(f"{kit.CLIP} {kit.ENTRIES[0]}")

    monkeypatch.setattr(page.desk, "plan", broken)
    answer = page.get("/api/now")
    assert answer.status_code == 500
    assert answer.json()["error"].startswith("something went wrong in clipmark itself")
    assert "Zwerg" not in told(answer)


def test_the_same_marks_give_the_same_reading_which_is_compared_after_closing(event_path, page):
    page.post(address(page, "sign"), json={"work": work(verdict="failed", reason="spun")})
    page.post("/api/close")
    with EventFolder.open(event_path) as event:
        (item,) = compare(event, "b001").items
    (ramp,) = [value for value in item.values if value.name == "ramp_deg"]
    assert abs(ramp.difference) < 1e-12  # deg; sums in another order
    assert ramp.comparison is not None
    assert ramp.comparison.verdict == "agree"
    assert (item.first_verdict, item.second_verdict) == ("cleared", "failed: spun")


def test_a_closed_plan_takes_no_marks(event_path, page):
    url = address(page, "sign")
    with EventFolder.open(event_path) as event:
        close_plan(event, "b001")
    assert page.get("/api/now").json()["state"] == "closed"
    assert page.post(url, json={"left_out": "too late"}).status_code == 404


@pytest.mark.parametrize(
    ("sentence", "left"),
    [
        ("frame 412 of clips/siskin-climb.mp4 is dark", "frame … of … is dark"),
        ("Siskin and siskin lean by -12.5 deg", "… and … lean by … deg"),
        ("content 0123abcd4567ef is gone (--plumb)", "content … is gone"),
    ],
)
def test_sentences_lose_numbers_files_hashes_and_names(sentence, left):
    assert scrubbed(sentence, ["siskin"]) == left


def test_the_page_itself_names_no_event_and_no_other_route():
    text = (STATIC / "blind.html").read_text(encoding="utf-8")
    assert "<title>Blind marking - clipmark</title>" in text
    own = [path.read_text(encoding="utf-8") for path in (STATIC / "js").glob("blind_*.js")]
    asked = {found for script in own for found in re.findall(r'["`](api/[a-z]+)', script)}
    assert asked == {"api/now", "api/close", "api/pictures"}
