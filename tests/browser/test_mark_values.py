"""What is written beside a mark: taken when it can be, left alone when it cannot."""

import pytest
from page_states import STATES
from playwright.sync_api import Page, expect

pytestmark = [pytest.mark.browser, pytest.mark.timeout(180)]


@pytest.fixture
def sheet_in_hand(serve, open_page, demo_copy) -> Page:
    page = open_page(serve(demo_copy))
    STATES["marking"](page)
    page.locator("#legend").get_by_role("button", name="sheet").first.click()
    return page


def kept(page: Page) -> float | None:
    return page.evaluate("clipmarkPage.store.draft.marks.sheet_u_mm ?? null")


@pytest.mark.parametrize("text", ["abc", "1e9", "-2"])
def test_a_value_that_cannot_be_taken_changes_nothing_and_keeps_from_signing(sheet_in_hand, text):
    page = sheet_in_hand
    field = page.locator("[data-value=sheet_u_mm]")
    field.fill(text)
    field.press("Tab")
    expect(field).to_have_attribute("aria-invalid", "true")
    expect(page.locator("#missing")).to_contain_text("sheet, good to (u): put right")
    assert kept(page) is None
    page.evaluate(
        "clipmarkPage.store.change('note', d => { d.details.note = 'kept all the same'; })"
    )
    page.wait_for_function(
        """async () => {
          const { drafts } = await clipmarkPage.api.get("api/drafts");
          if (!drafts.some(({ key }) => key === "a0002")) return false;
          const { draft } = await clipmarkPage.api.get("api/drafts/a0002");
          return draft.details.note === "kept all the same";
        }"""
    )
    page.evaluate("clipmarkPage.actions.run('sign')")
    expect(page.locator("dialog[open]")).to_contain_text("takes a number from 0 to 100000")


@pytest.mark.parametrize(("key", "taken"), [("Enter", 0.8), ("Escape", None)])
def test_enter_takes_the_value_and_escape_leaves_it_and_both_go_to_the_frame(
    sheet_in_hand, key, taken
):
    page = sheet_in_hand
    field = page.locator("[data-value=sheet_u_mm]")
    field.fill("0.8")
    field.press(key)
    assert page.evaluate("document.activeElement.id") == "stage"
    assert kept(page) == taken
    page.keyboard.press("9")  # a mark's key again, and no digit of the number
    assert (
        page.evaluate("clipmarkPage.store.ui.hand?.mark ?? clipmarkPage.store.ui.tool") == "patch"
    )
    assert kept(page) == taken


def test_another_mark_in_hand_takes_a_wrong_text_away(sheet_in_hand):
    page = sheet_in_hand
    page.locator("[data-value=sheet_u_mm]").fill("abc")
    page.locator("#legend").get_by_role("button", name="ramp line").first.click()
    expect(page.locator("#missing")).not_to_contain_text("put right")
    assert kept(page) is None


def test_on_an_upright_tablet_it_leaves_the_frame_free_and_where_it_was(
    serve, open_page, demo_copy
):
    page = open_page(serve(demo_copy), viewport={"width": 820, "height": 1180}, has_touch=True)
    STATES["marking"](page)
    before = page.locator("#stage").bounding_box()
    page.locator("#legend").get_by_role("button", name="plumb line").first.tap()
    box = page.locator(".mark-values").bounding_box()
    after = page.locator("#stage").bounding_box()
    assert after == before
    assert box["y"] + box["height"] <= after["y"] + 1
