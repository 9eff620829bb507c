"""Attempts looked for over the page's API: in the background, stopped when asked, never saved."""

import json
import shutil
import time

import pytest

from clipmark.cli.app import status_of
from tests.measure.attempt_scenes import Look, Session
from tests.page import marking_kit as kit


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    folder = tmp_path_factory.mktemp("searches")
    told = Session(Look(width=256), seed=12)
    told.stand(40)
    told.wait(0.6)
    told.drive(180, 80)
    told.wait(0.6)
    told.write(folder / "session.mp4")
    with kit.sample_page(folder) as client:
        shutil.copy(folder / "session.mp4", client.desk.event_path / "clips")
        yield client


@pytest.fixture
def clip(page) -> str:
    return kit.clip_of(page, "session")


def ended(page, search: str) -> dict:
    """The search, waited for."""
    until = time.monotonic() + 60
    while time.monotonic() < until:
        now = page.get(f"/api/searches/{search}").json()
        if now["state"] != "running":
            return now
        time.sleep(0.05)
    raise AssertionError("the search did not end")


def looked(page, clip: str, **terms) -> dict:
    started = page.post(f"/api/clips/{clip}/attempts-seen", json=terms)
    assert started.status_code == 202, started.text
    assert ended(page, started.json()["search"])["state"] == "done"
    return page.get(f"/api/clips/{clip}/attempts-seen").json()


def test_the_page_proposes_what_the_command_line_does(page, clip, capsys):
    answer = looked(page, clip)
    path = page.desk.event_path / "clips" / "session.mp4"
    assert status_of(["footage", str(path), "--attempts", "--json"]) == 0
    printed = json.loads(capsys.readouterr().out)
    for span in answer["found"]["attempts"]:
        assert span.pop("marked") == []
    assert answer["running"] is None
    assert answer["found"]["attempts"] == printed["attempts"] != []


def test_looking_writes_nothing(page, clip):
    def folder() -> dict[str, bytes]:
        found = page.desk.event_path.rglob("*")
        return {str(path): path.read_bytes() for path in found if path.is_file()}

    before = folder()
    looked(page, clip, rest_s=2, within={"x": 0, "y": 0, "w": 256, "h": 144})
    assert folder() == before


def test_what_is_signed_on_a_span_already_is_named(page, clip):
    found = looked(page, clip)["found"]["attempts"][0]
    draft = kit.draft_of(
        clip=clip, marks={"frame": 0, "span": [found["first_frame"], found["last_frame"]]}
    )
    asked = {"key": kit.KEY, "draft": draft, "by": "N. Marsh", "base_revision": None}
    signed = page.post("/api/attempts/sign", json=asked)
    assert signed.status_code == 200, signed.text
    again = page.get(f"/api/clips/{clip}/attempts-seen").json()["found"]["attempts"][0]
    assert again["marked"] == [signed.json()["id"]]


def test_a_search_that_was_stopped_leaves_what_was_found_before(page, clip):
    before = looked(page, clip)["found"]
    started = page.post(f"/api/clips/{clip}/attempts-seen", json={"rest_s": 3}).json()["search"]
    assert page.post(f"/api/searches/{started}/stop").status_code == 204
    now = ended(page, started)
    assert (now["state"], now["error"]) == (
        "failed", "this search for attempts was stopped; ask for it again"
    )  # fmt: skip
    assert page.get(f"/api/clips/{clip}/attempts-seen").json()["found"] == before


def test_where_nothing_moves_the_sentence_names_no_option(page):
    still = kit.clip_of(page, "siskin-climb")
    found = looked(page, still, within={"x": 0, "y": 0, "w": 50, "h": 50})["found"]
    assert found["attempts"] == []
    assert found["not_told"] == "Nothing moves in the region. Look whether it is the right one."


@pytest.mark.parametrize(
    ("terms", "status"),
    [
        ({"rest_s": -1}, 422),
        ({"margin_s": 1e9}, 422),
        ({"within": {"x": 0, "y": 0, "w": 0, "h": 5}}, 422),
        ({"within": {"x": 0, "y": 0}}, 422),
        ({"colour": "red"}, 422),
    ],
)
def test_terms_that_mean_nothing_are_refused(page, clip, terms, status):
    assert page.post(f"/api/clips/{clip}/attempts-seen", json=terms).status_code == status


def test_a_clip_or_search_that_is_not_there_is_a_sentence(page):
    for answer in (
        page.post(f"/api/clips/{'0' * 64}/attempts-seen", json={}),
        page.get(f"/api/clips/{'0' * 64}/attempts-seen"),
        page.get("/api/searches/0123456789abcdef"),
    ):
        assert answer.status_code == 404
        assert answer.json()["error"]
    assert "search for attempts" in page.get("/api/searches/0123456789abcdef").json()["error"]


def test_a_region_outside_the_picture_is_refused_in_the_pages_words(page, clip):
    asked = {"within": {"x": 900, "y": 0, "w": 5, "h": 5}}
    started = page.post(f"/api/clips/{clip}/attempts-seen", json=asked).json()["search"]
    now = ended(page, started)
    assert now["state"] == "failed"
    assert now["error"].startswith("the region to look in lies outside the picture")
