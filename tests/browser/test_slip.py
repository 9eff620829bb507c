"""The run slip, what is missing, calls, the motion strip and signing, in a real browser."""

import json
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from playwright.sync_api import Page, expect

from clipmark.clip import open_clip
from clipmark.record.clips import clip_sha256

pytestmark = pytest.mark.browser
MARKS = Path(__file__).parents[2] / "sample_media" / "marks"


def opened(page: Page, event: Path, name: str) -> str:
    """Open a clip of the event on a new attempt; its content hash."""
    sha = clip_sha256(event / "clips" / name)
    put_away(page)
    page.evaluate("(sha) => clipmarkPage.opener.openClip(sha)", sha)
    page.evaluate("document.activeElement.blur()")
    return sha


def put_away(page: Page) -> None:
    """Close what a first visit offers: one panel may follow another."""
    for _ in range(4):
        page.evaluate("clipmarkPage.panels.close()")
        page.wait_for_timeout(150)
    page.evaluate("clipmarkPage.notices.clear()")


def mark(page: Page, stem: str) -> None:
    """Put the sample's marks on the draft, as if they had been set by hand."""
    marks = json.loads((MARKS / f"{stem}.json").read_text(encoding="utf-8"))
    for name in ("clip", "measure"):
        marks.pop(name)
    page.evaluate(
        "(marks) => clipmarkPage.store.change('marks', (d) => Object.assign(d.marks, marks))", marks
    )


def uneven_clip(path: Path) -> None:
    """A second at 60 frames a second, then three at 10: as when a phone runs out of light."""
    rng = np.random.default_rng(3)
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=60)
        stream.width, stream.height, stream.pix_fmt = 320, 180, "yuv420p"
        stream.time_base = stream.codec_context.time_base = Fraction(1, 60)
        for stamp in [*range(60), *range(60, 240, 6)]:
            picture = rng.integers(0, 255, (180, 320, 3), np.uint8)
            frame = av.VideoFrame.from_ndarray(picture, format="bgr24")
            frame.pts, frame.time_base = stamp, Fraction(1, 60)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


def until(page: Page, expression: str, tries: int = 300) -> None:
    """Wait for something in the page; its policy forbids Playwright's own way of waiting."""
    for _ in range(tries):
        if page.evaluate(expression):
            return
        page.wait_for_timeout(100)
    pytest.fail(f"never came true: {expression}")


@pytest.fixture
def slip(sample_event: Path, serve: Callable, open_page: Callable) -> Page:
    """The sample's stalling crawl, opened on a new attempt."""
    page = open_page(serve(sample_event))
    opened(page, sample_event, "siskin-stall.mp4")
    return page


def test_each_missing_item_leads_to_where_it_is_put_in(slip: Page) -> None:
    item = slip.locator("#missing .missing-item")
    assert "entry" in item.all_inner_texts()[0]

    slip.locator("[data-missing=entry]").click()
    expect(slip.locator("[data-field=entry]")).to_be_focused()
    slip.locator("[data-field=entry]").click()
    slip.get_by_role("option", name="Siskin").click()
    slip.locator("[data-missing=test]").click()
    slip.keyboard.type("cre")
    slip.keyboard.press("ArrowDown")
    slip.keyboard.press("Enter")
    assert slip.evaluate("clipmarkPage.store.draft.details.test") == "creep"

    slip.locator("[data-missing=patch]").click()
    assert slip.evaluate("clipmarkPage.store.ui.tool") == "patch"
    slip.get_by_label("failed").check()
    slip.locator("[data-missing=reason]").click()
    expect(slip.locator("[data-field=reason]")).to_be_focused()
    slip.locator("[data-field=reason]").select_option("stalled")
    slip.locator("[data-missing=by]").click()
    slip.keyboard.type("R. Aldous")
    slip.keyboard.press("Enter")
    mark(slip, "siskin-stall")
    expect(slip.locator(".missing-heading")).to_have_text("Ready to sign")


def test_a_reason_goes_when_its_verdict_goes(slip: Page) -> None:
    slip.get_by_label("failed").check()
    slip.locator("[data-field=reason]").select_option("spun")
    slip.get_by_label("void").check()
    assert slip.evaluate("clipmarkPage.store.draft.details.reason") is None
    slip.evaluate("clipmarkPage.store.undo()")
    assert slip.evaluate("clipmarkPage.store.draft.details.reason") == "spun"


def test_a_number_that_is_none_is_refused_beside_its_field(slip: Page) -> None:
    field = slip.locator("[data-field=set_start_deg]")
    field.fill("steep")
    expect(slip.locator(".cell-set_start_deg .cell-error")).to_have_text(
        'Set, start takes a number, but "steep" is none.'
    )
    assert slip.evaluate("clipmarkPage.store.draft.details.set_start_deg") is None
    field.fill("18,5")
    assert slip.evaluate("clipmarkPage.store.draft.details.set_start_deg") == 18.5


def test_calls_are_timed_by_the_frame_shown_and_undone_like_everything(slip: Page) -> None:
    slip.evaluate("clipmarkPage.clock.goto(58)")
    slip.keyboard.press("1")  # not armed: the digit picks a mark
    assert slip.evaluate("clipmarkPage.store.ui.tool") == "level"
    slip.keyboard.press("Escape")
    slip.keyboard.press("c")
    slip.keyboard.press("1")
    slip.evaluate("clipmarkPage.clock.goto(140)")
    slip.keyboard.press("5")
    slip.keyboard.press("c")
    calls = slip.evaluate("clipmarkPage.store.draft.calls")
    times = slip.evaluate("clipmarkPage.clock.times_s")
    assert [(item["call"], item["frame"], item["t_s"]) for item in calls] == [
        ("touch", 58, times[58]),
        ("reposition", 140, times[140]),
    ]
    expect(slip.locator(".slip-call")).to_have_count(2)
    slip.get_by_role("button", name="touch 0.967 s: go there").click()
    assert slip.evaluate("clipmarkPage.clock.ordinal") == 58
    slip.evaluate("document.activeElement.blur()")
    slip.keyboard.press("u")
    expect(slip.locator(".slip-call")).to_have_count(1)


def test_calls_need_no_arming_while_the_clip_runs(slip: Page) -> None:
    slip.keyboard.press("r")
    slip.wait_for_timeout(300)
    slip.keyboard.press("4")
    slip.keyboard.press("r")
    [call] = slip.evaluate("clipmarkPage.store.draft.calls")
    assert call["call"] == "marker"
    assert call["t_s"] == slip.evaluate(f"clipmarkPage.clock.tOf({call['frame']})")


def test_the_strip_is_a_slider_over_true_time(
    sample_event: Path, serve: Callable, open_page: Callable
) -> None:
    uneven_clip(sample_event / "clips" / "uneven.mp4")
    page = open_page(serve(sample_event))
    opened(page, sample_event, "uneven.mp4")
    with open_clip(sample_event / "clips" / "uneven.mp4") as clip:
        times = [float(value) for value in clip.times_s]
    track = page.locator(".strip-track")
    track.focus()
    for key, ordinal in (("Home", 0), ("ArrowRight", 1), ("PageUp", 11), ("End", len(times) - 1)):
        page.keyboard.press(key)
        expect(track).to_have_attribute("aria-valuenow", str(ordinal))
    expect(track).to_have_attribute("aria-valuetext", f"frame {len(times) - 1}, {times[-1]:.3f} s")
    box = track.bounding_box()
    assert box is not None
    left, right = 46, 14  # px of the scale at the left and the margin at the right
    middle = box["x"] + left + (box["width"] - left - right) / 2
    page.mouse.click(middle, box["y"] + box["height"] / 2)
    wanted = min(range(len(times)), key=lambda k: abs(times[k] - (times[0] + times[-1]) / 2))
    shown = page.evaluate("clipmarkPage.clock.ordinal")
    assert shown == wanted  # frames are tens of px apart here
    assert abs(wanted - len(times) // 2) > 10  # counting frames would have gone elsewhere


def test_from_and_to_are_set_by_key_and_by_handle(slip: Page) -> None:
    slip.evaluate("clipmarkPage.clock.goto(20)")
    slip.keyboard.press("f")
    slip.evaluate("clipmarkPage.clock.goto(150)")
    slip.keyboard.press("t")
    assert slip.evaluate("clipmarkPage.store.draft.marks.span") == [20, 150]
    slip.locator(".strip-handle-to").focus()
    slip.keyboard.press("PageDown")
    assert slip.evaluate("clipmarkPage.store.draft.marks.span") == [20, 140]
    box = slip.locator(".strip-handle-from").bounding_box()
    assert box is not None
    slip.mouse.move(box["x"] + box["width"] / 2, box["y"] + 40)
    slip.mouse.down()
    slip.mouse.move(box["x"] + 200, box["y"] + 40, steps=5)
    slip.mouse.up()
    moved = slip.evaluate("clipmarkPage.store.draft.marks.span")
    assert moved[0] > 20
    assert moved[1] == 140
    slip.evaluate("clipmarkPage.store.undo()")
    assert slip.evaluate("clipmarkPage.store.draft.marks.span") == [20, 140]


def test_a_crawl_runs_in_the_background_and_fills_the_strip(slip: Page) -> None:
    mark(slip, "siskin-stall")
    slip.keyboard.press("Shift+M")
    until(slip, "document.querySelector('.strip-followed') !== null")
    slip.keyboard.press("n")  # the page goes on meanwhile
    assert slip.evaluate("clipmarkPage.clock.ordinal") == 1
    until(slip, "clipmarkPage.store.current('crawl') !== null")
    expect(slip.locator(".strip-trace")).to_have_count(1)
    expect(slip.locator(".strip-stall")).to_have_count(2)
    stalls = slip.evaluate("clipmarkPage.store.readings.crawl.result.stalls")
    for stall in stalls:
        slip.keyboard.press("a")
        at = slip.evaluate("clipmarkPage.clock.tOf(clipmarkPage.clock.ordinal)")
        assert abs(at - stall["t_s"]) < 1 / 60

    number = slip.get_by_role("button", name="mean speed")
    number.click()
    result = slip.evaluate("clipmarkPage.store.readings.crawl.result")
    card = slip.locator(".number-card")
    for row in result["budget"]["mean_speed_mm_s"]:
        expect(card).to_contain_text(row["source"])
    expect(card).to_contain_text(result["clip_sha256"][:12])
    slip.keyboard.press("Escape")
    expect(card).to_have_count(0)

    slip.get_by_role("button", name="over travel").click()
    expect(slip.locator("#strip")).to_contain_text("mm")
    slip.evaluate("clipmarkPage.store.change('patch', (d) => { d.marks.patch[0] += 2; })")
    expect(slip.locator("#strip .number-state").first).to_have_text("before the last change")


def test_a_crawl_can_be_stopped(slip: Page) -> None:
    mark(slip, "siskin-stall")
    slip.keyboard.press("Shift+M")
    slip.get_by_role("button", name="Stop").click()
    expect(slip.get_by_role("button", name="Measure crawl")).to_be_visible()
    slip.wait_for_timeout(1500)
    assert slip.evaluate("clipmarkPage.store.current('crawl')") is None


def fill_in(page: Page, by: str) -> None:
    page.evaluate(
        """(by) => { clipmarkPage.store.setUi({ by }); clipmarkPage.store.change('slip', (d) => {
          Object.assign(d.details, { entry: 'Siskin', test: 'board ladder', try_no: 1, step_deg: 18,
            verdict: 'failed', reason: 'stalled' }); d.marks.span = [0, 41]; }); }""",
        by,
    )


def sign(page: Page) -> None:
    page.keyboard.press("d")
    page.get_by_role("dialog").get_by_role("button", name="Sign and save").click()


def test_two_revisions_are_shown_side_by_side_and_never_merged(
    sample_event: Path, serve: Callable, open_page: Callable
) -> None:
    site = serve(sample_event)
    first = open_page(site)
    opened(first, sample_event, "siskin-climb.mp4")
    mark(first, "siskin-climb")
    fill_in(first, "R. Aldous")
    sign(first)
    until(first, "clipmarkPage.store.revision === 1")
    assert not first.evaluate("clipmarkPage.store.dirty")
    key = first.evaluate("clipmarkPage.store.key")

    second = open_page(site)
    put_away(second)
    second.evaluate("(id) => clipmarkPage.opener.openAttempt(id)", key)
    second.evaluate(
        """() => { clipmarkPage.store.setUi({ by: 'K. Marsden' });
        clipmarkPage.store.change('note', (d) => { d.details.note = 'theirs'; }); }"""
    )
    sign(second)
    until(second, "clipmarkPage.store.revision === 2")

    first.evaluate("clipmarkPage.store.change('note', (d) => { d.details.note = 'mine'; })")
    expect(first.locator(".slip-newer")).to_contain_text("K. Marsden saved this attempt")
    first.evaluate("document.activeElement.blur()")
    sign(first)
    rows = first.locator(".conflict-table tbody tr")
    expect(rows).to_have_count(1)
    expect(rows).to_have_text("notetheirsmine")
    first.get_by_role("button", name="Take theirs, leave mine as draft").click()
    until(first, "clipmarkPage.store.draft.details.note === 'theirs'")
    drafts = first.evaluate("fetch('api/drafts').then((answer) => answer.json())")["drafts"]
    [kept] = [item for item in drafts if item["attempt"] == key]

    first.evaluate("(key) => clipmarkPage.opener.openDraft(key)", kept["key"])
    until(first, "clipmarkPage.store.draft.details.note === 'mine'")
    first.evaluate("document.activeElement.blur()")
    sign(first)
    first.get_by_role("button", name="Sign mine on top, as a new revision").click()
    until(first, "clipmarkPage.store.revision === 3")
    saved = first.evaluate(
        "(id) => fetch(`api/attempts/${id}`).then((answer) => answer.json())", key
    )
    assert (saved["revision"], saved["body"]["note"]) == (3, "mine")


def test_leaving_with_unsigned_marks_asks(slip: Page) -> None:
    slip.locator("[data-field=note]").fill("wheel off the board")  # also the touch a browser needs
    with slip.expect_event("dialog") as asked:
        slip.close(run_before_unload=True)
    assert asked.value.type == "beforeunload"
    asked.value.dismiss()
    assert slip.evaluate("clipmarkPage.store.draft.details.note") == "wheel off the board"


# Estimate, U and how they are written.
WRITTEN = (
    (35.276388, 0.286308, "35.28 ± 0.29°"),
    (18.64007, 1.98934, "18.6 ± 2.0°"),
    (-8.8613, 0.4087, "\N{MINUS SIGN}8.86 ± 0.41°"),
    (12.3456, 0.0996, "12.35 ± 0.10°"),  # rounds up to 0.10, so two decimals
    (-0.0004, 0.023, "0.000 ± 0.023°"),  # never minus nothing
    (1234.4, 123.0, "1230 ± 120°"),
)


def test_a_value_has_the_digits_its_uncertainty_earns(slip: Page) -> None:
    said = slip.evaluate(
        """async (pairs) => {
          const { measured, sentenceOf } = await import(new URL("static/js/numbers.js", location));
          return pairs.map(([value, u]) => sentenceOf(measured({ ramp_deg: value, ramp_u95_deg: u,
            ramp_low95_deg: value - u, ramp_high95_deg: value + u }, "ramp_deg"))); }""",
        [[value, u95] for value, u95, _ in WRITTEN],
    )
    assert said == [shown for _, _, shown in WRITTEN]


# Estimate, U, what is said of the steps 30, 33, 35, 37, ... 50, and how many lie in the interval.
LADDER = (
    (35.2, 0.3, "Agrees with step 35°, told apart from 33° and 37°.", 1),
    (36.0, 1.4, "The footage cannot tell steps 35°, 37° apart.", 2),
    (36.0, 0.3, "Lies between steps 35° and 37°.", 0),
    (52.0, 0.5, "Lies above step 50°.", 0),
)
SHOW_ANGLE = """async ([value, u]) => {
  const { marksKey } = await import(new URL("static/js/store.js", location));
  const { store } = clipmarkPage;
  store.change("test", (d) => { d.details.test = "board ladder"; });
  const result = { ramp_deg: value, ramp_u95_deg: u, ramp_low95_deg: value - u,
    ramp_high95_deg: value + u, budget: {}, warnings: [] };
  store.setReading("angle", result, marksKey("angle", store.draft));
}"""


def test_the_ladder_says_which_steps_the_footage_tells_apart(slip: Page) -> None:
    for value, u95, said, inside in LADDER:
        slip.evaluate(SHOW_ANGLE, [value, u95])
        expect(slip.locator(".ladder-words")).to_contain_text(said)
        expect(slip.locator(".ladder-unsure")).to_have_count(inside)
