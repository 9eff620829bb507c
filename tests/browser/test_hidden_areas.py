"""Areas to hide, drawn on the page and gone from what is handed out: by mouse, keyboard, touch."""

import json

import cv2
import numpy as np
import pytest
from playwright.sync_api import Page, expect

from clipmark.cli.app import status_of
from clipmark.record.hidden_areas import HiddenArea, kept_areas

pytestmark = [pytest.mark.browser, pytest.mark.timeout(180)]


def open_panel(page: Page):
    """The panel on the clip of the second attempt, by the way an operator goes."""
    page.evaluate("clipmarkPage.panels.close()")
    page.evaluate("() => { clipmarkPage.panels.open('clips'); }")
    page.get_by_role("button", name="Areas to hide in reports of siskin-climb.mp4").click()
    panel = page.locator("dialog[data-panel=hidden]")
    expect(panel.locator(".hidden-said")).to_contain_text("0 areas", timeout=30_000)
    page.wait_for_function("document.querySelector('.hidden-picture')?.naturalWidth > 0")
    return panel


def screen(page: Page, x: float, y: float) -> tuple[float, float]:
    """Where a place in the 1920 x 1080 picture is on the screen."""
    box = page.locator(".hidden-drawing").bounding_box()
    return box["x"] + x / 1920 * box["width"], box["y"] + y / 1080 * box["height"]


def drag(page: Page, start, end) -> None:
    page.mouse.move(*screen(page, *start))
    page.mouse.down()
    page.mouse.move(*screen(page, *end), steps=6)
    page.mouse.up()


def kept_by(demo_copy) -> list[HiddenArea]:
    (areas,) = kept_areas(demo_copy).values()
    return list(areas)


def keep(page: Page, panel) -> None:
    panel.get_by_role("button", name="Keep these areas").click()
    expect(panel.locator(".hidden-said")).to_contain_text("kept with the event")


def test_drawn_moved_and_stretched_by_mouse(serve, open_page, demo_copy):
    page = open_page(serve(demo_copy))
    panel = open_panel(page)
    drag(page, (200, 100), (500, 300))
    drag(page, (350, 200), (450, 260))  # as a whole
    drag(page, (600, 360), (700, 500))  # its lower right corner
    keep(page, panel)
    (area,) = kept_by(demo_copy)
    assert (area.x, area.y) == pytest.approx((300, 160), abs=4)
    assert (area.w, area.h) == pytest.approx((400, 340), abs=6)
    assert (area.first, area.last) == (None, None)


def still_of(event, out) -> np.ndarray:
    """The evidence still of the attempt on the clip, as a report hands it out."""
    assert status_of(["report", str(event), "--attempt", "a0001", "--out", str(out), "--json"]) == 0
    return cv2.imread(str(out / "stills" / "a0001.jpg"), cv2.IMREAD_GRAYSCALE).astype(float)


def test_what_is_drawn_is_no_longer_in_the_report(serve, open_page, demo_copy, tmp_path):
    before = still_of(demo_copy, tmp_path / "before")
    page = open_page(serve(demo_copy))
    panel = open_panel(page)
    drag(page, (860, 380), (1060, 580))  # the truck
    keep(page, panel)
    after = still_of(demo_copy, tmp_path / "after")
    rows, columns = np.nonzero(np.abs(after - before) > 30)
    changed = slice(rows.min(), rows.max() + 1), slice(columns.min(), columns.max() + 1)
    detail = [np.abs(np.diff(picture[changed], axis=1)).mean() for picture in (before, after)]
    assert detail[1] < 0.5 * detail[0]
    untouched = np.abs(after - before)
    untouched[changed] = 0
    assert untouched.max() <= 30


def test_by_keyboard_only(serve, open_page, demo_copy):
    page = open_page(serve(demo_copy))
    panel = open_panel(page)
    panel.get_by_role("button", name="Add an area").press("Enter")
    expect(page.locator(".hidden-area")).to_be_focused()
    for key in ("ArrowLeft", "Shift+ArrowUp", "Alt+ArrowRight", "Alt+Shift+ArrowDown"):
        page.keyboard.press(key)
    panel.get_by_label("From frame of area 1").fill("10")
    panel.get_by_label("To frame of area 1").fill("90")
    panel.get_by_label("To frame of area 1").press("Tab")
    panel.get_by_role("button", name="Keep these areas").press("Enter")
    expect(panel.locator(".hidden-said")).to_contain_text("kept with the event")
    assert kept_by(demo_copy) == [HiddenArea(719, 395, 481, 280, 10, 90)]


def test_by_touch(serve, open_page, demo_copy):
    page = open_page(serve(demo_copy), viewport={"width": 820, "height": 1180}, has_touch=True)
    panel = open_panel(page)
    panel.get_by_role("button", name="Add an area").tap()
    wire = page.context.new_cdp_session(page)
    for kind, at in (
        ("touchStart", (960, 540)),
        ("touchMove", (760, 440)),
        ("touchMove", (660, 340)),
    ):
        x, y = screen(page, *at)
        wire.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": x, "y": y}]})
    wire.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    panel.get_by_role("button", name="Keep these areas").tap()
    expect(panel.locator(".hidden-said")).to_contain_text("kept with the event")
    (area,) = kept_by(demo_copy)
    assert (area.x, area.y) == pytest.approx((420, 205), abs=8)


def test_a_step_is_undone_and_unkept_areas_are_asked_after(serve, open_page, demo_copy):
    page = open_page(serve(demo_copy))
    panel = open_panel(page)
    drag(page, (200, 100), (500, 300))
    panel.get_by_role("button", name="Add an area").click()
    expect(panel.locator(".hidden-said")).to_contain_text("2 areas, not kept yet")
    panel.get_by_role("button", name="Undo").click()
    expect(panel.locator(".hidden-said")).to_contain_text("1 area, not kept yet")
    panel.get_by_role("button", name="Close", exact=True).click()
    expect(page.locator("dialog[open]")).to_contain_text("The areas are not kept yet")
    assert kept_areas(demo_copy) == {}


def test_the_picture_is_shown_as_it_will_be_handed_out(serve, open_page, demo_copy):
    page = open_page(serve(demo_copy))
    panel = open_panel(page)
    drag(page, (200, 200), (800, 800))
    panel.get_by_role("button", name="Show as it will be handed out").click()
    expect(page.locator(".hidden-area")).to_have_count(0)
    colours = page.evaluate("""() => {
      const paper = document.querySelector(".hidden-seen").getContext("2d");
      const { data } = paper.getImageData(260, 260, 480, 480);
      const found = new Set();
      for (let at = 0; at < data.length; at += 4) found.add(data.slice(at, at + 3).join());
      return found.size;
    }""")
    assert colours <= 9


def test_areas_kept_meanwhile_are_not_written_over(serve, open_page, demo_copy):
    page = open_page(serve(demo_copy))
    panel = open_panel(page)
    sha = page.evaluate("document.querySelector('.hidden-picture').src.match(/[0-9a-f]{64}/)[0]")
    other = {"x": 1, "y": 2, "w": 30, "h": 40, "first_frame": None, "last_frame": None}
    (demo_copy / "hidden-areas.json").write_text(json.dumps({"clips": {sha: [other]}}))
    drag(page, (200, 200), (800, 800))
    panel.get_by_role("button", name="Keep these areas").click()
    expect(panel.get_by_role("alert")).to_contain_text("other areas of this clip were kept")
    assert kept_by(demo_copy) == [HiddenArea(1, 2, 30, 40)]
