"""From an empty event to a signed attempt: by mouse only, by keyboard only, by touch.

What is saved is then measured again by the command line on the same marks.
"""

import json
import math
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from clipmark.cli.app import status_of
from clipmark.record.folder import EventFolder
from clipmark.sample.media import sample_media_folder

pytestmark = [pytest.mark.browser, pytest.mark.timeout(240)]

MEDIA = sample_media_folder()
MARKS = json.loads((MEDIA / "marks" / "siskin-climb.json").read_text())
# Marks of the job, in the order in which they are set: legend name, key, points.
JOB = (
    ("plumb line", "2", MARKS["plumb"]),
    ("ramp line", "3", MARKS["ramp"]),
    ("hubs", "4", MARKS["hubs"]),
)


@pytest.fixture
def event(empty_event: Path) -> Path:
    """No clips and no attempts; the rule sheet names entries and tests, the session its judge."""
    for name in ("event.toml", "session.toml"):
        shutil.copyfile(MEDIA / name, empty_event / name)
    return empty_event


def pairs(values: list[float]) -> list[tuple[float, float]]:
    return list(zip(values[::2], values[1::2], strict=True))


def on_screen(page: Page, x: float, y: float) -> tuple[float, float]:
    at = page.evaluate("([x, y]) => clipmarkPage.view.toScreen(x, y)", [x, y])
    return at["x"], at["y"]


def wait_for_exact(page: Page) -> None:
    page.wait_for_selector("#picture[data-exact=yes]", timeout=20_000)


def wait_until_measured(page: Page) -> None:
    expect(page.locator("#ladder")).to_contain_text("±", timeout=30_000)


def check_against_the_command_line(event: Path, tmp_path: Path, capsys) -> None:
    """The saved reading equals what `clipmark angle` gives for the recorded marks."""
    with EventFolder.open(event) as folder:
        (saved,) = folder.attempts()
    attempt = saved.attempt
    assert attempt.entry == "Siskin"
    assert attempt.test == "board ladder"
    assert attempt.verdict == "cleared"
    assert attempt.marked_by
    reading = attempt.reading("angle")
    assert reading is not None
    told = reading.result

    def line(role: str) -> str:
        mark = attempt.mark(role)
        return f"{mark.x1!r},{mark.y1!r},{mark.x2!r},{mark.y2!r}"

    capsys.readouterr()
    arguments = [
        "angle", str(event / attempt.clip.path), "--frame", str(reading.frame),
        "--ramp", line("ramp"), "--hubs", line("hubs"), "--plumb", line("plumb"), "--json",
    ]  # fmt: skip
    assert status_of(arguments) == 0
    again = json.loads(capsys.readouterr().out)
    for name, value in again.items():
        if isinstance(value, float) and name != "t_s":
            assert told[name] == pytest.approx(value, abs=1e-9), name
    assert told["fingerprint"] == again["fingerprint"]
    # a person's marks are rough, the board is not: its true angle is known
    truth = json.loads((MEDIA / "truth" / "siskin-climb.json").read_text())
    assert math.isclose(told["ramp_deg"], truth["ramp_deg"], abs_tol=told["ramp_u95_deg"])


def close_the_day(page: Page) -> None:
    """The session record is asked for once a day; here it is closed as it is."""
    page.wait_for_timeout(500)
    if page.locator("dialog[open]").filter(has_text="session record").count():
        page.locator("dialog[open]").get_by_role("button", name="Close").click()


def test_by_mouse_only(serve, open_page, event, tmp_path, capsys):
    page = open_page(serve(event))
    close_the_day(page)
    page.get_by_role("button", name="Clips", exact=True).click()
    panel = page.locator("dialog[open]")
    with page.expect_file_chooser() as chooser:
        panel.get_by_role("button", name="Choose files").click()
    chooser.value.set_files(MEDIA / "siskin-climb.mp4")
    panel.get_by_role("button", name="New attempt").first.click(timeout=30_000)
    wait_for_exact(page)
    for name, _, values in JOB:
        page.locator("#legend").get_by_role("button", name=name).first.click()
        for x, y in pairs(values):
            page.mouse.click(*on_screen(page, x, y))
    # one point is then dragged to where it belongs better, and back by undo
    x, y = pairs(MARKS["ramp"])[0]
    page.mouse.move(*on_screen(page, x, y))
    page.mouse.down()
    page.mouse.move(*on_screen(page, x + 30, y + 20), steps=5)
    page.mouse.up()
    page.locator("#tools").get_by_role("button", name="Undo").click()
    choose(page, "entry", "Siskin")
    choose(page, "test", "board ladder")
    page.locator("#slip").get_by_text("cleared", exact=True).click()
    choose_signature(page)
    wait_until_measured(page)
    page.locator("#slip").get_by_role("button", name="Sign and save").click()
    page.locator("dialog[open]").get_by_role("button", name="Sign and save").click()
    expect(page.locator("#notices")).to_contain_text("revision 1", timeout=30_000)
    check_against_the_command_line(event, tmp_path, capsys)


def choose(page: Page, field: str, value: str) -> None:
    """Pick from the list of a slip's field with the pointer."""
    page.locator(f"#slip [data-field={field}]").click()
    page.locator("#slip [role=option]:visible").filter(has_text=value).first.click()


def choose_signature(page: Page) -> None:
    page.locator("#slip [data-field=by]").click()
    page.locator("#slip [role=option]:visible").first.click()


def focus_by_tab(page: Page, wanted: Callable[[], bool], limit: int = 120) -> None:
    for _ in range(limit):
        if wanted():
            return
        page.keyboard.press("Tab")
    raise AssertionError("Tab does not get there")


def focused(page: Page) -> str:
    """Field and name of the control that has the focus; of anything else, its tag.

    The whole page has the focus after the last control, and its text holds every name there is.
    """
    return page.evaluate(
        """() => {
          const at = document.activeElement;
          if (!at?.matches("button, input, select, textarea, summary, [data-field]")) {
            return `${at?.tagName}|`;
          }
          return `${at.dataset.field ?? ""}|${at.getAttribute("aria-label") ?? at.textContent}`;
        }"""
    )


def move_cross_to(page: Page, x: float, y: float) -> None:
    """Steer the crosshair with the arrows alone: 40, 4 and 0.1 px."""
    page.keyboard.press("ArrowRight")
    for _ in range(4):
        at = page.evaluate("clipmarkPage.edit.placing.cross")
        for off, ahead, back in (
            (x - at["x"], "ArrowRight", "ArrowLeft"),
            (y - at["y"], "ArrowDown", "ArrowUp"),
        ):
            key = ahead if off > 0 else back
            whole, rest = divmod(abs(off), 40)
            for _ in range(int(whole)):
                page.keyboard.press(f"Shift+{key}")
            for _ in range(int(rest // 4)):
                page.keyboard.press(key)


def test_by_keyboard_only(serve, open_page, event, tmp_path, capsys):
    page = open_page(serve(event))
    page.wait_for_selector("html[data-ready=yes]", timeout=30_000)
    if page.locator("dialog[open]").filter(has_text="session record").count():
        page.keyboard.press("Escape")
    page.wait_for_timeout(300)
    page.keyboard.press("Shift+o")
    choose = page.locator("dialog[open]").get_by_text("Choose files").first
    expect(choose).to_be_visible(timeout=30_000)
    focus_by_tab(page, lambda: "Choose files" in focused(page))
    page.wait_for_timeout(300)  # a panel that is filled in late may take the focus
    focus_by_tab(page, lambda: "Choose files" in focused(page))
    with page.expect_file_chooser() as chooser:
        page.keyboard.press("Enter")
    chooser.value.set_files(MEDIA / "siskin-climb.mp4")
    expect(
        page.locator("dialog[open]").get_by_role("button", name="New attempt").first
    ).to_be_visible(timeout=30_000)
    focus_by_tab(page, lambda: "New attempt" in focused(page))
    page.keyboard.press("Enter")
    wait_for_exact(page)
    for _, key, values in JOB:
        page.keyboard.press(key)
        for x, y in pairs(values):
            move_cross_to(page, x, y)
            page.keyboard.press("Enter")
    page.keyboard.press("Escape")
    focus_by_tab(page, lambda: focused(page).startswith("entry|"))
    page.keyboard.type("Siskin")
    focus_by_tab(page, lambda: focused(page).startswith("test|"))
    page.keyboard.type("board ladder")
    focus_by_tab(page, lambda: focused(page).startswith("verdict|"))
    page.keyboard.press(" ")
    focus_by_tab(page, lambda: focused(page).startswith("by|"))
    page.keyboard.type("R. Aldous")
    page.keyboard.press("Control+Enter")
    wait_until_measured(page)
    dialog = page.locator("dialog[open]")
    expect(dialog).to_be_visible()
    focus_by_tab(page, lambda: "Sign and save" in focused(page))
    page.keyboard.press("Enter")
    expect(page.locator("#notices")).to_contain_text("revision 1", timeout=30_000)
    check_against_the_command_line(event, tmp_path, capsys)


def test_by_touch(serve, open_page, event, tmp_path, capsys):
    page = open_page(
        serve(event), viewport={"width": 1180, "height": 820}, has_touch=True, is_mobile=True
    )
    tap = TouchOperator(page)
    page.wait_for_timeout(500)
    if page.locator("dialog[open]").filter(has_text="session record").count():
        page.locator("dialog[open]").get_by_role("button", name="Close").tap()
    page.get_by_role("button", name="Clips", exact=True).tap()
    panel = page.locator("dialog[open]")
    with page.expect_file_chooser() as chooser:
        panel.get_by_role("button", name="Choose files").tap()
    chooser.value.set_files(MEDIA / "siskin-climb.mp4")
    panel.get_by_role("button", name="New attempt").first.tap(timeout=30_000)
    wait_for_exact(page)
    for name, _, values in JOB:
        page.locator("#legend").get_by_role("button", name=name).first.tap()
        for x, y in pairs(values):
            page.touchscreen.tap(*on_screen(page, x, y))
    x, y = pairs(MARKS["ramp"])[0]
    tap.drag(on_screen(page, x, y), on_screen(page, x + 30, y + 20))
    tap.drag(on_screen(page, x + 30, y + 20), on_screen(page, x, y))
    tap.choose("entry", "Siskin")
    tap.choose("test", "board ladder")
    page.locator("#slip").get_by_text("cleared", exact=True).tap()
    tap.choose("by", "")
    wait_until_measured(page)
    page.locator("#slip").get_by_role("button", name="Sign and save").tap()
    page.locator("dialog[open]").get_by_role("button", name="Sign and save").tap()
    expect(page.locator("#notices")).to_contain_text("revision 1", timeout=30_000)
    check_against_the_command_line(event, tmp_path, capsys)


class TouchOperator:
    """Fingers: taps on things, and drags that the browser sees as touches."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.wire = page.context.new_cdp_session(page)

    def choose(self, field: str, value: str) -> None:
        self.page.locator(f"#slip [data-field={field}]").tap()
        options = self.page.locator("#slip [role=option]:visible")
        options.filter(has_text=value).first.tap()

    def drag(self, start: tuple[float, float], end: tuple[float, float]) -> None:
        def send(kind: str, *points: tuple[float, float]) -> None:
            self.wire.send(
                "Input.dispatchTouchEvent",
                {"type": kind, "touchPoints": [{"x": x, "y": y} for x, y in points]},
            )

        send("touchStart", start)
        for part in range(1, 6):
            send(
                "touchMove",
                tuple(a + (b - a) * part / 5 for a, b in zip(start, end, strict=True)),  # type: ignore[arg-type]
            )
        send("touchEnd")
