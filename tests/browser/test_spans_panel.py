"""Attempts looked for on the page: listed, jumped to, begun from, on the strip; by keys too."""

import os
import re
import shutil

import pytest
from playwright.sync_api import Page, expect

from tests.measure.attempt_scenes import Look, Session

pytestmark = [pytest.mark.browser, pytest.mark.timeout(180)]


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    """Two attempts, the truck carried back between them; and their truth."""
    told = Session(Look(width=480), seed=21)
    told.stand(40)
    told.wait(1.0)
    told.drive(240, 80)
    told.wait(0.8)
    told.take(40)
    told.wait(0.5)
    told.drive(220, 70)
    told.wait(1.5)
    return told.write(tmp_path_factory.mktemp("film") / "session.mp4"), told.truth


@pytest.fixture
def event(session, empty_event):
    (empty_event / "clips").mkdir(exist_ok=True)
    shutil.copy(session[0], empty_event / "clips")
    return empty_event


def open_panel(page: Page):
    """The panel on the only clip, by the way an operator goes."""
    page.evaluate("() => { clipmarkPage.panels.open('clips'); }")
    page.get_by_role("button", name="Look for attempts in session.mp4").click()
    panel = page.locator("dialog[data-panel=spans]")
    expect(panel.get_by_role("button", name="Look for attempts")).to_be_enabled(timeout=30_000)
    return panel


def until(page: Page, script: str) -> None:
    """Wait for an expression; the page's policy forbids it to be evaluated inside."""
    for _ in range(300):
        if page.evaluate(script):
            return
        page.wait_for_timeout(100)
    raise AssertionError(f"never: {script}")


def test_a_span_becomes_a_run_slip_with_in_and_out_and_no_verdict(serve, open_page, event, session):
    page = open_page(serve(event))
    panel = open_panel(page)
    panel.get_by_role("button", name="Look for attempts").click()
    expect(panel.locator(".spans-state")).to_have_text(
        "2 proposed, to be looked at.", timeout=60_000
    )
    expect(panel.locator(".spans-item")).to_have_count(2)
    panel.get_by_role("button", name="New attempt from here: span 2").click()
    expect(panel).to_have_count(0)
    until(page, "Boolean(clipmarkPage.store.draft.marks.span)")
    draft = page.evaluate("clipmarkPage.store.draft")
    first, last = draft["marks"]["span"]
    truth = session[1][1]
    assert first <= truth.first < truth.last <= last
    assert draft["attempt"] is None
    assert draft["details"]["verdict"] is None
    assert page.evaluate("clipmarkPage.clock.ordinal") == first
    expect(page.locator(".strip-proposed")).to_have_count(2)
    if shots := os.environ.get("CLIPMARK_SCREENSHOTS"):
        page.screenshot(path=f"{shots}/spans-strip.png")
    assert not (event / "journal.jsonl").exists() or not (event / "journal.jsonl").read_bytes()


def test_by_keyboard_only_and_what_was_found_is_there_again(serve, open_page, event):
    page = open_page(serve(event))
    panel = open_panel(page)
    panel.get_by_label("Longest rest within one attempt").fill("-3")
    panel.get_by_role("button", name="Look for attempts").press("Enter")
    expect(panel.get_by_text("must be from 0 to 600 s")).to_be_visible()
    panel.get_by_label("Longest rest within one attempt").fill("6")
    panel.get_by_role("button", name="Look for attempts").press("Enter")
    expect(panel.locator(".spans-item")).to_have_count(2, timeout=60_000)
    expect(panel.locator(":focus")).to_have_count(1)  # it stays in the panel
    page.keyboard.press("Escape")
    page.evaluate("clipmarkPage.panels.close()")
    panel = open_panel(page)
    expect(panel.locator(".spans-item")).to_have_count(2)
    assert panel.get_by_label("Longest rest within one attempt").input_value() == "6"
    panel.get_by_role("button", name="Go there: first frame of span 2").press("Enter")
    until(page, "clipmarkPage.clock.ordinal > 0")
    assert page.evaluate("clipmarkPage.store.draft.marks.span ?? null") is None


@pytest.mark.parametrize("width", [1280, 820, 390])
def test_the_panel_is_accessible_and_fits(serve, open_page, event, axe_source, width):
    touch = width < 1000
    page = open_page(serve(event), viewport={"width": width, "height": 900}, has_touch=touch,
        color_scheme="dark" if width == 820 else "light",
    )  # fmt: skip
    panel = open_panel(page)
    panel.get_by_role("button", name="Look for attempts").click()
    expect(panel.locator(".spans-item")).to_have_count(2, timeout=60_000)
    if shots := os.environ.get("CLIPMARK_SCREENSHOTS"):
        page.screenshot(path=f"{shots}/spans-{width}.png")
    panel.locator("summary").click()
    expect(panel.get_by_label("Left, px")).to_be_visible()
    page.evaluate(axe_source)
    found = page.evaluate("async () => (await axe.run('dialog[data-panel=spans]')).violations")
    assert [(item["id"], [node["html"] for node in item["nodes"]]) for item in found] == []
    wide = panel.locator(".panel-body").evaluate("node => node.scrollWidth - node.clientWidth")
    assert wide <= 0
    for button in panel.locator("button:visible").all():
        box = button.bounding_box()
        assert min(box["width"], box["height"]) >= 24, button.text_content()
    names = [one.get_attribute("aria-label") for one in panel.locator(".spans-acts button").all()]
    assert len({*names}) == 4
    assert all(re.search(r"span [12]$", name) for name in names)
