"""Areas to hide over the page's API: kept by the clip's content, never written over unseen."""

import pytest

from clipmark.record.hidden_areas import FILE_NAME, HiddenArea, keep_areas, kept_areas
from tests.page import marking_kit as kit

PLATE = {"x": 40, "y": 60, "w": 120, "h": 90, "first_frame": None, "last_frame": None}


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    with kit.sample_page(tmp_path_factory.mktemp("hidden")) as client:
        yield client


@pytest.fixture
def clip(page) -> str:
    """A clip with nothing hidden on it."""
    (page.desk.event_path / FILE_NAME).unlink(missing_ok=True)
    return kit.clip_of(page, "siskin-climb")


def mark_of(page, clip: str) -> str:
    return page.get(f"/api/clips/{clip}/hidden").json()["mark"]


def put(page, clip: str, areas: list[dict], mark: str | None = None):
    body = {"areas": areas, "mark": mark or mark_of(page, clip)}
    return page.put(f"/api/clips/{clip}/hidden", json=body)


def test_what_was_put_is_what_every_report_hides(page, clip):
    some = PLATE | {"first_frame": 10, "last_frame": 90}
    answer = put(page, clip, [PLATE, some])
    assert answer.status_code == 200, answer.text
    assert answer.json()["areas"] == [PLATE, some]
    assert kept_areas(page.desk.event_path) == {
        clip: (HiddenArea(40, 60, 120, 90), HiddenArea(40, 60, 120, 90, 10, 90))
    }


def test_none_forgets_those_of_the_clip_and_leaves_the_others(page, clip):
    other = "f" * 64
    keep_areas(page.desk.event_path, other, [HiddenArea(1, 2, 3, 4)])
    put(page, clip, [PLATE])
    assert put(page, clip, []).json()["areas"] == []
    assert kept_areas(page.desk.event_path) == {other: (HiddenArea(1, 2, 3, 4),)}


def test_areas_that_came_meanwhile_are_not_written_over(page, clip):
    old = mark_of(page, clip)
    keep_areas(page.desk.event_path, clip, [HiddenArea(1, 2, 3, 4)])
    answer = put(page, clip, [PLATE], old)
    assert answer.status_code == 409
    assert "were kept since these were opened" in answer.json()["error"]
    assert kept_areas(page.desk.event_path) == {clip: (HiddenArea(1, 2, 3, 4),)}


@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({"w": 0}, 422),
        ({"h": -5}, 422),
        ({"x": 1e9}, 422),
        ({"first_frame": -1}, 422),
        ({"first_frame": 9, "last_frame": 3}, 400),
        ({"colour": "red"}, 422),
    ],
)
def test_what_is_no_area_is_refused_and_nothing_is_kept(page, clip, change, status):
    answer = put(page, clip, [PLATE | change])
    assert answer.status_code == status
    assert answer.json()["error"]
    assert kept_areas(page.desk.event_path) == {}


def test_an_area_of_no_clip_is_refused(page, clip):
    assert put(page, "0" * 64, [PLATE], mark_of(page, clip)).status_code == 404


def test_a_file_that_cannot_be_read_is_said_in_a_sentence_and_stays(page, clip):
    path = page.desk.event_path / FILE_NAME
    path.write_text("{", encoding="utf-8")
    answer = page.get(f"/api/clips/{clip}/hidden")
    assert answer.status_code == 400
    assert "cannot be read" in answer.json()["error"]
    assert "--" not in answer.json()["error"]
    assert path.read_text(encoding="utf-8") == "{"
