"""Where there is little room, nothing is lost; what cannot be is said and changes nothing."""

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
    assert last.evaluate(INSIDE)


def test_calls_too_close_to_be_named_apart_are_counted(marked):
    marked.evaluate(
        """clipmarkPage.store.change("calls", draft => {
          for (const frame of [12, 18, 24, 150]) {
            const t_s = clipmarkPage.clock.tOf(frame);
            draft.calls.push({ call: "touch", t_s, frame, note: "" });
          }
        })"""
    )
    names = marked.locator("#strip .strip-strong")
    expect(names).to_have_text(["touch and 2 more", "touch"])


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
    assert field.evaluate("node => node.scrollWidth <= node.clientWidth")
    expect(field).to_have_value("1019.436")
