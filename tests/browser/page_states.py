"""The states of the page that are looked at and checked: how to get to each."""

import re
from collections.abc import Callable

from playwright.sync_api import Page, expect

State = Callable[[Page], None]


def closed(page: Page) -> None:
    """No dialog stands open, whatever opened by itself."""
    page.wait_for_timeout(400)
    for _ in range(3):
        page.evaluate("clipmarkPage.panels.close()")
        page.wait_for_timeout(150)


def marking(page: Page) -> None:
    """An attempt with its marks, the exact picture and its angle."""
    closed(page)
    page.evaluate("clipmarkPage.opener.openAttempt('a0002')")
    page.wait_for_selector("#picture[data-exact=yes]", timeout=30_000)
    expect(page.locator("#ladder")).to_contain_text("±", timeout=30_000)


def point_in_hand(page: Page) -> None:
    """A point of the ramp line in hand, with the pixel window and a fitted edge."""
    marking(page)
    page.keyboard.press("3")
    page.keyboard.press("e")
    expect(page.locator("#legend")).to_contain_text(re.compile(r"0\.\d+°"), timeout=30_000)
    page.wait_for_timeout(500)


def crawl_measured(page: Page) -> None:
    """The motion strip with a measured trace."""
    marking(page)
    page.keyboard.press("Shift+M")
    page.wait_for_selector("#strip .strip-trace", timeout=90_000)
    page.wait_for_timeout(500)


def running(page: Page) -> None:
    """The clip runs and calls are armed."""
    marking(page)
    page.evaluate("clipmarkPage.actions.run('run-slow')")
    page.wait_for_timeout(400)


def number_explained(page: Page) -> None:
    """A number's budget is open."""
    marking(page)
    page.locator("#ladder").get_by_role("button").first.focus()
    page.wait_for_timeout(400)


def panel(name: str) -> State:
    def open_panel(page: Page) -> None:
        marking(page)
        page.evaluate("name => { clipmarkPage.panels.open(name); }", name)
        page.locator("dialog[open]").wait_for()
        page.wait_for_timeout(700)

    return open_panel


def disputing(page: Page) -> None:
    """The panel of a dispute, with what the footage says of a claim."""
    marking(page)
    page.evaluate("() => { clipmarkPage.panels.open('dispute', { id: 'a0002' }); }")
    dialog = page.locator("dialog[open]")
    dialog.get_by_label("Value").fill("20")
    dialog.get_by_role("button", name="See what the footage says", exact=True).click()
    expect(dialog.locator(".dispute-outcome")).to_be_visible(timeout=60_000)


def hiding(page: Page) -> None:
    """The panel of areas to hide, with one in hand and one that holds later."""
    marking(page)
    page.evaluate("clipmarkPage.actions.run('hide-areas')")
    page.wait_for_selector(".hidden-stage[data-shown]", timeout=30_000)
    panel_of = page.locator("dialog[data-panel=hidden]")
    panel_of.get_by_role("button", name="Add an area").click()
    panel_of.get_by_role("button", name="Add an area").click()
    panel_of.get_by_label("From frame of area 2").fill("5")
    panel_of.get_by_label("Left of area 1").focus()
    page.wait_for_timeout(300)


def looking_for_attempts(page: Page) -> None:
    """The panel that looks for attempts, with a doubtful one proposed."""
    marking(page)
    page.evaluate("clipmarkPage.actions.run('look-for-attempts')")
    panel_of = page.locator("dialog[data-panel=spans]")
    panel_of.get_by_role("button", name="Look for attempts").click()
    panel_of.locator(".spans-item").first.wait_for(timeout=60_000)
    panel_of.locator(".spans-region summary").click()


def signing(page: Page) -> None:
    """The dialog that signs and saves."""
    marking(page)
    page.evaluate("clipmarkPage.store.setUi({ by: 'R. Aldous' })")
    page.keyboard.press("d")
    page.locator("dialog[open]").wait_for()


def declaring(page: Page) -> None:
    """The dialog of view and sizes."""
    marking(page)
    page.evaluate("clipmarkPage.actions.run('declare')")
    page.locator("dialog[open]").wait_for()
    page.wait_for_timeout(300)


def history(page: Page) -> None:
    """What the revisions of an attempt changed."""
    panel("attempts")(page)
    page.get_by_role("button", name=re.compile("revisions of a0002")).click()
    page.locator(".history").get_by_text("mean speed").first.wait_for()


def called_only(page: Page) -> None:
    """An attempt without a clip: the watch runs, a call is set down."""
    closed(page)
    page.evaluate("clipmarkPage.opener.newAttempt({ details: { entry: 'Siskin' } })")
    page.wait_for_timeout(300)
    page.evaluate("clipmarkPage.actions.run('called-only')")
    page.evaluate("clipmarkPage.actions.run('calls-armed')")
    page.wait_for_timeout(500)
    page.evaluate("clipmarkPage.actions.run('call-1')")
    page.locator(".slip-call").wait_for()


def refused(page: Page) -> None:
    """A refusal is on the page."""
    marking(page)
    page.evaluate("clipmarkPage.opener.openAttempt('a9999')")
    page.locator("#notices [role=alert]").get_by_text("a9999").first.wait_for()


def guided(page: Page) -> None:
    """The guided attempt on the sample event."""
    page.goto(page.url.split("#")[0].rstrip("/") + "/practice/?guide")
    page.wait_for_selector("html[data-ready=yes]", timeout=30_000)
    page.wait_for_timeout(1500)


STATES: dict[str, State] = {
    "marking": marking,
    "point-in-hand": point_in_hand,
    "crawl-measured": crawl_measured,
    "running": running,
    "number-explained": number_explained,
    "attempts": panel("attempts"),
    "clips": panel("clips"),
    "pairing": panel("pairing"),
    "session": panel("session"),
    "stands": panel("stands"),
    "keys": panel("keys"),
    "signing": signing,
    "declaring": declaring,
    "history": history,
    "disputing": disputing,
    "hiding": hiding,
    "looking for attempts": looking_for_attempts,
    "called-only": called_only,
    "refused": refused,
    "guided": guided,
}
