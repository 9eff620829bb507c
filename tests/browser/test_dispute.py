"""A result is disputed on the page, and the judge's verdict stays what it was."""

import pytest
from page_states import disputing
from playwright.sync_api import expect

from clipmark.record.folder import EventFolder

pytestmark = [pytest.mark.browser, pytest.mark.timeout(240)]


def test_a_protest_is_entered_and_ruled_on_and_the_verdict_stays(serve, open_page, demo_copy):
    """A claim far above what was measured: the claim falls; list, slip and history say so."""
    with EventFolder.open(demo_copy) as folder:
        before = folder.attempt("a0002").attempt
    page = open_page(serve(demo_copy))
    disputing(page)
    dialog = page.locator("dialog[open]")
    expect(dialog.locator(".dispute-outcome")).to_have_text("The claim falls")
    dialog.get_by_label("Who protests").fill("B. Brook")
    dialog.get_by_label("Who enters it").fill("N. Marsh")
    dialog.get_by_role("button", name="Enter the protest and this ruling").click()
    protests = page.get_by_role("region", name="Protests")
    expect(protests).to_contain_text("claimed by B. Brook", timeout=15_000)
    expect(protests).to_contain_text("Ruled by N. Marsh: the claim falls.")
    page.evaluate("clipmarkPage.panels.close()")
    expect(page.locator("#slip")).to_contain_text("the claim falls")
    page.evaluate("() => { clipmarkPage.panels.open('attempts'); }")
    row = page.locator(".attempts tr", has_text="a0002").first
    expect(row).to_contain_text("cleared")
    expect(row).to_contain_text("the claim falls")
    page.get_by_role("button", name="revisions of a0002").click()
    expect(page.locator(".history")).to_contain_text("The judge's call stays as it is.")
    expect(page.locator(".journal-line")).to_contain_text("The journal is whole")
    with EventFolder.open(demo_copy) as folder:
        after = folder.attempt("a0002").attempt
    assert after.ruling is not None
    assert after.model_copy(update={"claim": None, "ruling": None}) == before
