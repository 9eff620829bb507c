"""Where there is little room, nothing is lost; what cannot be is said and changes nothing."""

from itertools import pairwise

import pytest
from page_states import STATES
from playwright.sync_api import Page, expect

pytestmark = [pytest.mark.browser, pytest.mark.timeout(180)]

INSIDE = """node => {
  const box = node.getBoundingClientRect();
  const seen = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
  return box.x >= 0 && box.right <= innerWidth && node.contains(seen);
}"""


@pytest.fixture
def marked(serve, open_page, demo_copy) -> Page:
    page = open_page(serve(demo_copy))
    STATES["marking"](page)
    return page


def notice(page: Page, words: str):
    return page.locator("#notices").get_by_text(words).first


def test_every_number_of_a_crawl_can_be_read_in_a_narrow_window(marked):
    numbers = marked.locator("#strip .number:not([hidden])")
    count = numbers.count()
    assert count >= 6
    seen = sum(number.evaluate(INSIDE) for number in numbers.all())
    more = marked.locator(".shelf-more")
    expect(more).to_have_text(f"{count - seen} more")
    more.click()
    assert all(number.evaluate(INSIDE) for number in numbers.all())
    marked.keyboard.press("Escape")
    expect(more).to_have_attribute("aria-expanded", "false")


def test_a_number_out_of_sight_is_shown_when_the_keyboard_reaches_it(marked):
    last = marked.locator("#strip .number:not([hidden])").last
    assert not last.evaluate(INSIDE)
    last.get_by_role("button").focus()
    marked.locator(".number-card").wait_for()  # which explains it, and does not cover it
    assert last.evaluate(INSIDE)


def call_at(page: Page, *frames: int) -> None:
    """A touch at each of the frames, and a reverse after them."""
    page.evaluate(
        """frames => clipmarkPage.store.change("calls", draft => {
          frames.forEach((frame, k) => {
            const call = k === frames.length - 1 ? "reverse" : "touch";
            draft.calls.push({ call, t_s: clipmarkPage.clock.tOf(frame), frame, note: "" });
          });
        })""",
        list(frames),
    )


def test_calls_too_close_to_be_named_apart_are_one_name_that_tells_them_all(marked):
    call_at(marked, 12, 18, 24, 150)
    expect(marked.locator(".strip-call-name")).to_have_text(["3 × touch", "reverse"])
    group = marked.get_by_role("button", name="3 × touch")
    group.focus()
    marked.keyboard.press("Shift+Tab")
    marked.keyboard.press("Tab")
    expect(group).to_be_focused()
    card = marked.locator(".number-card")
    expect(card).to_be_visible()
    for frame in (12, 18, 24):
        time_s = marked.evaluate("frame => clipmarkPage.clock.tOf(frame)", frame)
        expect(card).to_contain_text(f"{time_s:.3f} s")


def test_no_name_of_a_call_stands_on_another(marked):
    call_at(marked, *range(5, 239, 9), 236, 237, 239)
    marked.wait_for_timeout(200)
    boxes = sorted(
        (name.bounding_box() for name in marked.locator(".strip-call-name").all()),
        key=lambda box: box["x"],
    )
    strip = marked.locator(".strip-frame").bounding_box()
    assert len(boxes) > 1
    for left, right in pairwise(boxes):
        assert left["x"] + left["width"] <= right["x"]
    assert boxes[-1]["x"] + boxes[-1]["width"] <= strip["x"] + strip["width"]


def test_beyond_the_end_of_the_clip_its_last_frame_is_shown_and_said(marked):
    marked.keyboard.press("g")
    marked.get_by_role("textbox", name="Frame").fill("100000")
    marked.keyboard.press("Enter")
    expect(notice(marked, "The clip ends at frame 239; its last frame is shown.")).to_be_visible()
    assert marked.evaluate("clipmarkPage.clock.ordinal") == 239


def test_a_place_outside_the_picture_is_refused_and_the_point_stays(marked):
    marked.keyboard.press("3")
    before = marked.evaluate("clipmarkPage.store.draft.marks.ramp")
    field = marked.get_by_label("x, px")
    expect(field).not_to_have_value("")
    shown = field.input_value()
    field.fill("99999")
    field.press("Enter")
    expect(notice(marked, "x takes a number of px from 0 to 1279")).to_be_visible()
    assert marked.evaluate("clipmarkPage.store.draft.marks.ramp") == before
    expect(field).to_have_value(shown)


def test_a_position_is_shown_whole(marked):
    marked.keyboard.press("3")
    field = marked.get_by_label("x, px")
    field.fill("1019.436")
    field.press("Enter")
    # one is rounded up, the other to the nearest px; a digit is 7 px wide
    assert field.evaluate("node => node.scrollWidth - node.clientWidth <= 1")
    expect(field).to_have_value("1019.436")


def test_true_pixels_that_cannot_be_had_are_said_not_to_come(marked):
    marked.route(
        "**/crop.png*",
        lambda route: route.fulfill(status=400, json={"error": "The crop lies outside."}),
    )
    marked.keyboard.press("3")
    expect(marked.locator("#pixels .profile-text")).to_have_text("no true pixels here")


def test_a_frame_that_cannot_be_decoded_has_no_true_pixels_and_says_so(marked):
    refusal = {"error": "Frame 200 cannot be decoded; mark on another."}
    marked.route("**/frames/200.jpg*", lambda route: route.fulfill(status=404, json=refusal))
    marked.locator("#stage").hover()  # the pixel window looks where the pointer is
    marked.evaluate("clipmarkPage.clock.goto(200)")
    expect(marked.locator("#pixels .profile-text")).to_have_text("this frame has no true pixels")
    expect(marked.locator(".frame-note")).to_contain_text(refusal["error"])


def test_true_pixels_come_once_a_busy_server_has_time(marked):
    asked = []

    def busy_first(route):
        asked.append(route.request.url)
        if len(asked) == 1:
            route.fulfill(status=503, json={"error": "Busy."})
        else:
            route.continue_()

    marked.route("**/crop.png*", busy_first)
    marked.keyboard.press("3")
    expect(marked.locator("#pixels .profile-text")).to_have_text("across the line")
    assert len(asked) >= 2


def test_an_empty_stage_is_the_way_to_a_clip(serve, open_page, sample_event):
    page = open_page(serve(sample_event))
    page.evaluate("clipmarkPage.panels.close()")
    page.locator("#stage").get_by_role("button", name="Open a clip").click()
    expect(page.get_by_role("dialog", name="Clips of this event")).to_be_visible()
