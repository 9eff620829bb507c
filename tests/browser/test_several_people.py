"""Two browsers on one event, a page that crashes, and leaving with unsigned marks."""

import pytest
from playwright.sync_api import Page, expect

from clipmark.record.folder import EventFolder
from clipmark.record.models import Attempt

pytestmark = [pytest.mark.browser, pytest.mark.timeout(180)]


@pytest.fixture
def event(empty_event):
    """One called-only attempt that both want to revise."""
    with EventFolder.open(empty_event) as folder:
        folder.save_attempt(Attempt(entry="Heather Goat", test="ladder"), by="R. Aldous")
    return empty_event


def opened(open_page, site) -> Page:
    page = open_page(site)
    page.wait_for_timeout(500)
    for _ in range(2):
        page.evaluate("clipmarkPage.panels.close()")
        page.wait_for_timeout(150)
    assert page.evaluate("clipmarkPage.opener.openAttempt('a0001')")
    return page


def note(page: Page, text: str) -> None:
    page.locator("#slip [data-field=note]").fill(text)
    page.locator("#slip [data-field=note]").press("Tab")


def sign(page: Page, by: str) -> None:
    page.evaluate("by => clipmarkPage.store.setUi({ by })", by)
    page.locator("#slip").get_by_role("button", name="Sign and save").click()
    page.locator("dialog[open]").get_by_role("button", name="Sign and save").click()


def notes_of(event) -> list[str]:
    with EventFolder.open(event) as folder:
        return [line.body.get("note", "") for line in folder.history("a0001")]


def test_a_save_is_seen_in_the_other_browser(serve, open_page, event):
    site = serve(event)
    first, second = opened(open_page, site), opened(open_page, site)
    note(first, "counted twice")
    sign(first, "M. Fell")
    expect(first.locator("#notices")).to_contain_text("revision 2")
    second.wait_for_function("() => clipmarkPage.store.newer?.revision === 2", timeout=10_000)
    expect(second.locator("body")).to_contain_text("M. Fell")


def test_saving_over_a_newer_revision_shows_both_and_merges_nothing(serve, open_page, event):
    site = serve(event)
    first, second = opened(open_page, site), opened(open_page, site)
    note(first, "first one's words")
    note(second, "second one's words")
    sign(first, "M. Fell")
    expect(first.locator("#notices")).to_contain_text("revision 2")
    sign(second, "R. Aldous")
    dialog = second.locator("dialog[open]")
    expect(dialog).to_contain_text("first one's words")
    expect(dialog).to_contain_text("second one's words")
    assert notes_of(event) == ["", "first one's words"]
    dialog.get_by_role("button", name="Sign mine on top").click()
    expect(second.locator("#notices")).to_contain_text("revision 3")
    assert notes_of(event) == ["", "first one's words", "second one's words"]


def test_a_page_that_crashed_offers_the_unsigned_marks_back(serve, open_page, event):
    site = serve(event)
    page = opened(open_page, site)
    note(page, "not signed yet")
    page.wait_for_timeout(1800)  # kept a second after the last change
    page.context.close()  # no farewell: as when the browser dies
    again = open_page(site)
    again.wait_for_timeout(500)
    again.evaluate("clipmarkPage.panels.close()")
    again.evaluate("() => { clipmarkPage.opener.openAttempt('a0001'); }")
    question = again.locator("dialog[open].question")
    expect(question).to_contain_text("Unsigned marks of attempt a0001")
    question.get_by_role("button", name="Take them up again").click()
    expect(again.locator("#slip [data-field=note]")).to_have_value("not signed yet")
    assert notes_of(event) == [""]


def test_leaving_with_unsigned_marks_asks(serve, open_page, event):
    page = opened(open_page, serve(event))
    note(page, "not signed yet")
    asked: list[str] = []

    def answer(dialog):
        asked.append(dialog.type)
        dialog.accept()

    page.on("dialog", answer)
    page.close(run_before_unload=True)
    for _ in range(50):
        if asked:
            break
        try:
            page.wait_for_timeout(100)
        except Exception:
            break
    assert asked == ["beforeunload"]


def test_leaving_with_everything_signed_does_not_ask(serve, open_page, event):
    page = opened(open_page, serve(event))
    asked: list[str] = []
    page.on("dialog", lambda dialog: (asked.append(dialog.type), dialog.accept()))
    page.reload()
    page.wait_for_selector("html[data-ready=yes]")
    assert asked == []


def test_undo_goes_back_to_the_beginning_and_redo_to_the_end(serve, open_page, event):
    page = opened(open_page, serve(event))
    for number in range(30):
        page.evaluate(
            "n => clipmarkPage.store.change('note', d => { d.details.note = `n${n}`; })", number
        )
    for _ in range(30):
        page.keyboard.press("u")
    assert page.evaluate("clipmarkPage.store.draft.details.note") in (None, "")
    assert not page.evaluate("clipmarkPage.store.dirty")
    for _ in range(30):
        page.keyboard.press("Shift+U")
    assert page.evaluate("clipmarkPage.store.draft.details.note") == "n29"
