"""A second marker marks a picture through the blind page, and only then it is compared."""

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from clipmark.audit.blind import the_plan
from clipmark.audit.blind_compare import compare
from clipmark.record.folder import EventFolder
from tests.audit import blind_kit as kit

pytestmark = pytest.mark.browser
SLACK_MS = 60_000
SHAPES = [("desktop", 1280, 720), ("tablet", 768, 1024), ("small tablet", 1024, 600)]


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return kit.make_event(tmp_path_factory.mktemp("blind"), attempts=1)


@pytest.fixture
def site(measured: Path, tmp_path: Path) -> Iterator[tuple[Path, str]]:
    """The blind page of one picture, served by the command line: event folder and address."""
    folder = Path(shutil.copytree(measured, tmp_path / measured.name))
    homes = {n: str(tmp_path / n.lower()) for n in ("XDG_CACHE_HOME", "XDG_STATE_HOME")}
    verb = ["audit", "blind", str(folder), "--by", "Brook", "--no-browser", "--json"]
    process = subprocess.Popen(
        [sys.executable, "-c", "from clipmark.cli import main; main()", *verb],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, **homes},
    )
    assert process.stdout is not None
    yield folder, json.loads(process.stdout.readline())["address"]
    process.terminate()
    process.wait(15)
    process.stdout.close()


@pytest.fixture
def page(site: tuple[Path, str], browser: object) -> Iterator[Page]:
    faults: list[str] = []
    context = browser.new_context(viewport={"width": 1280, "height": 720})  # type: ignore[attr-defined]
    page = context.new_page()
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.goto(site[1])
    page.wait_for_selector("html[data-ready=yes]")
    page.wait_for_selector("#picture[data-exact=yes]", timeout=SLACK_MS)
    yield page
    context.close()
    assert not faults, faults


def mark_line(page: Page, name: str, ends: list[float]) -> None:
    """Pick a mark in the list and press both its ends on the picture."""
    page.locator(f'[data-pick="{name}"]').click()
    for x, y in (ends[:2], ends[2:]):
        at = page.evaluate("([x, y]) => clipmarkPage.view.toScreen(x, y)", [x, y])
        page.mouse.click(at["x"], at["y"])


def test_a_picture_is_marked_signed_and_compared(page: Page, site: tuple[Path, str]):
    expect(page.locator(".card-title")).to_have_text("Picture 1 of 1")
    for name, ends in kit.marks().items():
        mark_line(page, name, ends)
        expect(page.locator(f'[data-kind="{name}"] .wanted-state')).to_have_text(
            "marked", timeout=SLACK_MS
        )
    page.get_by_label("Verdict", exact=True).select_option("failed")
    page.get_by_label("reason").select_option("stalled")
    page.reload()
    page.wait_for_selector("#picture[data-exact=yes]", timeout=SLACK_MS)
    expect(page.locator(".card-still")).to_have_text("Everything is marked.")
    expect(page.get_by_label("reason")).to_have_value("stalled")
    page.keyboard.press("Control+Enter")
    expect(page.locator(".card-title")).to_have_text("All pictures are signed", timeout=SLACK_MS)
    page.locator("#card").get_by_role("button", name="Close the marking").click()
    page.get_by_role("button", name="Close it").click()
    expect(page.locator(".card-title")).to_have_text("Closed", timeout=SLACK_MS)
    with EventFolder.open(site[0]) as event:
        assert the_plan(event, "b001").plan.closed
        compared = compare(event, "b001")
    assert compared.items[0].second_verdict == "failed: stalled"
    assert compared.compared >= 1
    assert compared.at_odds == 0


def test_a_picture_is_marked_by_keyboard_alone(page: Page):
    page.locator("#stage").focus()
    for key in ("m", *["ArrowRight"] * 3, "Enter", *["Shift+ArrowDown"] * 3, "Enter"):
        page.keyboard.press(key)
    expect(page.locator('[data-kind="plumb"]')).not_to_have_attribute("data-state", "open")
    page.keyboard.press("n")
    expect(page.get_by_role("button", name="Back to the frame to be marked")).to_be_enabled()
    page.keyboard.press("v")
    expect(page.get_by_role("button", name="Back to the frame to be marked")).to_be_disabled()
    page.keyboard.press("u")
    expect(page.locator('[data-kind="plumb"]')).to_have_attribute("data-state", "open")


def test_a_picture_that_cannot_be_marked_is_signed_with_its_reason(
    page: Page, site: tuple[Path, str]
):
    page.get_by_role("button", name="Cannot be marked").click()
    page.get_by_label("Why not").fill("a hand covers it")
    page.get_by_role("button", name="Sign it so").click()
    expect(page.locator(".card-title")).to_have_text("All pictures are signed")
    with EventFolder.open(site[0]) as event:
        assert the_plan(event, "b001").markings[1].left_out == "a hand covers it"


def test_what_the_browser_keeps_says_nothing_of_the_picture(page: Page):
    mark_line(page, "ramp", kit.marks()["ramp"])
    kept = page.evaluate("JSON.stringify([{...localStorage}, {...sessionStorage}, document.title])")
    assert kept == '[{},{},"Blind marking - clipmark"]'
    assert page.url.rstrip("/").count("/") == 2


@pytest.mark.parametrize(("shape", "width", "height"), SHAPES)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_page_has_no_accessibility_faults_and_fits(
    page: Page, axe_source: str, shape: str, width: int, height: int, scheme: str
):
    page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
    page.set_viewport_size({"width": width, "height": height})
    page.wait_for_timeout(300)
    folder = os.environ.get("CLIPMARK_SCREENSHOTS")
    if folder:
        page.screenshot(path=f"{folder}/blind-{shape.replace(' ', '-')}-{scheme}.png")
    page.evaluate(axe_source)
    found = page.evaluate("axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag22aa']})")
    assert [item["id"] for item in found["violations"]] == []
    wide = page.evaluate("document.documentElement.scrollWidth - innerWidth")
    assert wide <= 0
