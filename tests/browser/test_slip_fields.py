"""What is written on the run slip, called by watch, shown before signing and kept of revisions."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser
COURSE = """
[[test]]
id = "pile course"
kind = "course"
calls = { touch = 10, "out-of-time" = 5 }

[[test]]
id = "kerb steps"
kind = "graded"
grades = [[3, 100], [0, 0]]
"""


def draft(page: Page, path: str) -> object:
    return page.evaluate(f"clipmarkPage.store.draft.{path}")


def new_attempt(page: Page, **details: object) -> None:
    page.evaluate("clipmarkPage.panels.close()")
    page.evaluate("(details) => clipmarkPage.opener.newAttempt({ details })", details)
    page.evaluate("document.activeElement.blur()")


@pytest.fixture
def slip(sample_event: Path, serve: Callable, open_page: Callable) -> Page:
    """A new attempt without a clip, of an event that has a course and a graded test too."""
    sheet = sample_event / "event.toml"
    sheet.write_text(sheet.read_text(encoding="utf-8") + COURSE, encoding="utf-8")
    page = open_page(serve(sample_event))
    new_attempt(page, entry="Siskin", test="board ladder")
    return page


def test_a_wrong_number_changes_nothing_and_is_named_until_it_is_put_right(slip: Page) -> None:
    field = slip.locator("[data-field=step_deg]")
    field.press_sequentially("35x")
    assert draft(slip, "details.step_deg") is None  # not the 35 that was on the way
    expect(field).to_have_value("35x")
    field.fill("40")
    field.press("Tab")
    field.fill("")
    field.press_sequentially("355")
    field.press("Tab")
    assert draft(slip, "details.step_deg") == 40  # what stood there before the typing
    expect(field).to_have_value("355")
    expect(field).to_have_attribute("aria-invalid", "true")
    slip.keyboard.press("Escape")
    slip.keyboard.press("d")
    dialog = slip.get_by_role("dialog")
    expect(dialog.locator(".bad")).to_contain_text("Step lies between 0 and 180")
    dialog.get_by_label("Signed by: who marks").fill("R. Aldous")
    dialog.get_by_label("Signed by: who marks").press("Enter")
    expect(dialog.locator(".sign-said")).to_contain_text("Step lies between 0 and 180")
    assert slip.evaluate("clipmarkPage.store.revision") is None
    dialog.get_by_role("button", name="Not yet").click()

    slip.locator("[data-missing=wrong-step_deg]").click()
    expect(field).to_be_focused()
    field.fill("")
    assert draft(slip, "details.step_deg") is None
    expect(slip.locator("[data-missing=wrong-step_deg]")).to_have_count(0)
    assert not slip.evaluate("'step_deg' in clipmarkPage.store.ui.wrong")


def test_a_wrong_text_goes_with_its_attempt(slip: Page) -> None:
    field = slip.locator("[data-field=set_end_deg]")
    field.fill("steep")
    new_attempt(slip, entry="Dipper")
    expect(field).to_have_value("")
    expect(slip.locator("[data-missing=wrong-set_end_deg]")).to_have_count(0)


def test_escape_leaves_a_field_for_the_frame_and_keeps_what_is_valid(slip: Page) -> None:
    field = slip.locator("[data-field=set_start_deg]")
    for text, kept in (("11.6", 11.6), ("11.6.", 11.6)):
        field.click()
        field.fill(text)
        slip.keyboard.press("Escape")
        expect(slip.locator("#stage")).to_be_focused()
        assert draft(slip, "details.set_start_deg") == kept
    slip.locator("[data-field=test]").click()  # its list is open
    slip.keyboard.press("Escape")
    expect(slip.locator(".combo-list:popover-open")).to_have_count(0)
    expect(slip.locator("#stage")).to_be_focused()
    assert draft(slip, "details.test") == "board ladder"


def test_fields_of_a_kind_of_test_stand_there_for_it_and_wherever_they_are_written(
    slip: Page,
) -> None:
    places = {name: slip.locator(f".cell-{name}") for name in ("progress", "penalties", "grade")}
    for place in places.values():
        expect(place).to_be_hidden()
    slip.locator("[data-field=test]").fill("pile course")
    expect(places["progress"]).to_be_visible()
    expect(places["penalties"]).to_be_visible()
    expect(places["grade"]).to_be_hidden()
    slip.locator("[data-field=penalties]").fill("20")
    slip.locator("[data-field=test]").fill("kerb steps")
    expect(places["penalties"]).to_be_visible()  # what is written never hides
    expect(places["progress"]).to_be_hidden()
    slip.locator("[data-field=grade]").click()
    slip.get_by_role("option", name="3 100 points").click()
    assert (draft(slip, "details.grade"), draft(slip, "details.penalties")) == (3, 20)


def test_calls_without_a_clip_are_timed_by_a_watch_that_is_started_on_purpose(slip: Page) -> None:
    watch = slip.get_by_role("group", name="Watch")
    slip.wait_for_timeout(400)
    expect(watch).to_contain_text("0.0 s")  # however long the page has been open
    slip.locator("[data-call=touch]").click()
    expect(slip.locator("#notices")).to_contain_text("The watch has not been started")
    assert draft(slip, "calls") == []

    slip.evaluate("document.activeElement.blur()")
    slip.keyboard.press("c")
    slip.wait_for_timeout(600)
    slip.keyboard.press("1")
    slip.keyboard.press("c")  # it stands still
    shown = watch.locator(".watch-time").inner_text()
    slip.wait_for_timeout(400)
    assert watch.locator(".watch-time").inner_text() == shown != "0.0 s"
    [call] = draft(slip, "calls")
    assert 0.5 < call["t_s"] <= float(shown.split()[0]) + 0.06 < 4
    assert call["frame"] is None

    slip.keyboard.press("c")  # and goes on from there
    slip.wait_for_timeout(150)
    slip.keyboard.press("2")
    first, second = draft(slip, "calls")
    assert first["t_s"] < second["t_s"] < 5
    slip.keyboard.press("c")
    slip.get_by_role("button", name="Set the watch back to nought").click()
    expect(watch).to_contain_text("0.0 s")
    assert len(draft(slip, "calls")) == 2


def test_a_digit_that_is_no_call_picks_no_mark_while_calls_are_on(slip: Page) -> None:
    slip.locator("[data-field=test]").fill("pile course")
    slip.keyboard.press("Escape")
    slip.keyboard.press("c")
    for digit in ("3", "9", "0"):
        slip.keyboard.press(digit)
        assert slip.evaluate("clipmarkPage.store.ui.tool") is None
    expect(slip.locator("#notices")).to_contain_text("There is no call 3 in this test.")
    slip.keyboard.press("2")
    [call] = draft(slip, "calls")
    assert call["call"] == "out-of-time"
    expect(slip.locator(".slip-call-go")).to_contain_text("out of time")
    slip.get_by_label("failed").check()
    options = slip.locator("[data-field=reason] option").all_inner_texts()
    assert "out of time" in options
    assert not [text for text in options if "-" in text]


def test_the_picture_stays_where_it_is_when_the_first_call_of_a_run_is_made(
    slip: Page, sample_event: Path
) -> None:
    from clipmark.record.clips import clip_sha256

    sha = clip_sha256(sample_event / "clips" / "siskin-stall.mp4")
    slip.evaluate("(sha) => clipmarkPage.opener.openClip(sha)", sha)
    slip.evaluate("document.activeElement.blur()")
    slip.keyboard.press("r")
    slip.wait_for_timeout(200)
    before = slip.locator("#picture").bounding_box()
    slip.keyboard.press("4")
    assert len(draft(slip, "calls")) == 1
    assert slip.evaluate("clipmarkPage.clock.playing")
    slip.wait_for_timeout(100)
    assert slip.locator("#picture").bounding_box() == before
    slip.keyboard.press("r")
    expect(slip.locator(".slip-call")).to_be_visible()


def test_all_that_will_be_signed_is_shown_before(slip: Page) -> None:
    details = {
        "entry": "Siskin", "test": "pile course", "try_no": 2, "setup": "soft tyres",
        "surface": "cord mat", "step_deg": 12, "set_start_deg": 11.6, "set_end_deg": -0.5,
        "travel": "down", "progress": 4, "penalties": 25, "grade": 3, "verdict": "failed",
        "reason": "out-of-time", "called_by": "J. Oyelaran", "note": "first of the day",
    }  # fmt: skip
    slip.evaluate(
        """(details) => clipmarkPage.store.change("all", (d) => {
          Object.assign(d.details, details); d.stand = "left";
          d.calls.push({ call: "touch", t_s: 1.25, frame: null, note: "" });
          Object.assign(d.marks, { ramp: [1, 2, 300, 4], plumb: [5, 6, 5, 300], true_fps: 240 });
        })""",
        details,
    )
    slip.keyboard.press("d")
    pairs = slip.locator(".sign-list")
    for said in (
        "Siskin, pile course, step 12°, try 2", "soft tyres", "cord mat",
        "11.6° at the start, \N{MINUS SIGN}0.5° at the end", "down", "25", "failed: out of time",
        "J. Oyelaran", "left", "touch 1.250 s", "plumb line, ramp line, on frame 0",
        "first of the day",
    ):  # fmt: skip
        expect(pairs).to_contain_text(said)


def test_a_refused_angle_leaves_the_last_good_one_as_of_before_with_the_reason(
    demo_copy: Path, serve: Callable, open_page: Callable
) -> None:
    page = open_page(serve(demo_copy), query="#attempt=a0001")
    ladder = page.locator("#ladder")
    expect(ladder).to_contain_text("35.28")
    page.route(
        "**/angle",
        lambda route: route.fulfill(
            status=400, json={"error": "the ramp line has no edge near it; mark it anew"}
        ),
    )
    page.evaluate("clipmarkPage.store.change('ramp', (d) => { d.marks.ramp[1] -= 40; })")
    expect(ladder.locator(".ladder-words")).to_have_text(
        "The ramp line has no edge near it; mark it anew."
    )
    expect(ladder.locator(".number-state").first).to_have_text("before the last change")
    expect(ladder).to_contain_text("35.28")
    # a quick look that no edge bore out is never kept as a number of before
    page.evaluate(
        """async () => {
          const { marksKey } = await import(new URL("static/js/store.js", location));
          const { store } = clipmarkPage;
          const quick = { ...store.readings.angle.result, ramp_deg: 12.5 };
          store.setReading("angleLive", quick, marksKey("angle", store.draft));
          store.change("ramp", (d) => { d.marks.ramp[1] -= 5; });
        }"""
    )
    expect(ladder.locator(".ladder-words")).to_contain_text("35°")  # refused of what was before
    expect(ladder.locator(".number-state").first).to_have_text("before the last change")
    expect(ladder).not_to_contain_text("12.5")
    expect(ladder.locator(".ladder-words")).to_contain_text("no edge near it")
    page.keyboard.press("d")
    expect(page.locator(".sign-list")).to_contain_text("none. The ramp line has no edge near it")


def test_the_history_says_what_changed_and_an_old_revision_can_be_taken_up_again(
    demo_copy: Path, serve: Callable, open_page: Callable
) -> None:
    page = open_page(serve(demo_copy), query="#attempt=a0001")
    expect(page.locator(".stub-number")).to_have_text("a0001")
    before = draft(page, "marks.ramp")
    page.evaluate(
        """() => { const { store } = clipmarkPage; store.setUi({ by: "K. Marsden" });
        store.change("all", (d) => { d.marks.ramp = null; d.details.verdict = "failed";
          d.details.reason = "slid-back"; d.details.set_end_deg = 35.5; }); }"""
    )
    page.keyboard.press("d")
    page.get_by_role("dialog").get_by_role("button", name="Sign and save").click()
    expect(page.locator(".stub-state")).to_have_text("revision 2", timeout=30_000)

    page.evaluate("clipmarkPage.panels.open('attempts')")
    page.get_by_role("button", name="2 revisions of a0001").click()
    changes = page.locator(".history-changes")
    expect(changes.get_by_role("row", name="verdict")).to_contain_text("cleared")
    expect(changes.get_by_role("row", name="verdict")).to_contain_text("failed")
    expect(changes.get_by_role("row", name="reason")).to_contain_text("slid back")
    expect(changes.get_by_role("row", name="set angle, end")).to_contain_text("35.5°")
    expect(changes.get_by_role("row", name="ramp line")).to_contain_text("not given")
    expect(page.locator(".history-item").first).to_contain_text("signed by K. Marsden")

    page.get_by_role("button", name=re.compile("^Take this one up again: revision 1 ")).click()
    expect(page.locator(".stub-state")).to_have_text("revision 2, changed since")
    assert draft(page, "marks.ramp") == before
    assert (draft(page, "details.verdict"), draft(page, "base_revision")) == ("cleared", 2)
    page.evaluate("clipmarkPage.store.undo()")
    assert draft(page, "details.verdict") == "failed"
    page.evaluate("clipmarkPage.store.redo()")
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("d")
    page.get_by_role("dialog").get_by_role("button", name="Sign and save").click()
    expect(page.locator(".stub-state")).to_have_text("revision 3", timeout=30_000)
    assert draft(page, "details.set_end_deg") is None


def test_at_the_start_of_a_day_one_panel_opens_and_closing_it_opens_no_other(
    demo_copy: Path, serve: Callable, open_page: Callable
) -> None:
    page = open_page(serve(demo_copy))
    expect(page.get_by_role("dialog")).to_have_attribute("data-panel", "session")
    page.wait_for_timeout(300)
    page.keyboard.press("Escape")
    page.wait_for_timeout(500)
    expect(page.get_by_role("dialog")).to_have_count(0)
    page.reload()
    page.wait_for_selector("html[data-ready=yes]")
    expect(page.get_by_role("dialog")).to_have_attribute(
        "data-panel", "attempts"
    )  # asked once a day
