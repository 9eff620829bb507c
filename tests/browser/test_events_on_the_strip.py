"""What a tilt and a climb found stands on the motion strip; a proposal fills no verdict in."""

import re

import pytest
from playwright.sync_api import expect

from clipmark.cli.app import status_of
from clipmark.record.folder import EventFolder
from tests.cli.test_tilt_verb import film, options

pytestmark = [pytest.mark.browser, pytest.mark.timeout(240)]


@pytest.fixture
def tilted(empty_event, tmp_path):
    """An event with one side tilt, measured and saved without a verdict."""
    truth = film("left", tmp_path)
    words = ["tilt", str(truth.path), *options(truth), "--into", str(empty_event), "--json"]
    assert status_of([*words, "--entry", "Siskin", "--test", "side tilt", "--by", "M. Fell"]) == 0
    return empty_event


def test_events_of_a_tilt_stand_on_the_strip_and_can_be_gone_to(serve, open_page, tilted):
    page = open_page(serve(tilted), query="#attempt=a0001")
    page.wait_for_selector("#picture[data-exact=yes]", timeout=30_000)
    names = page.locator("#strip .strip-strong")
    expect(names.filter(has_text="wheels off, first motion")).to_have_count(1, timeout=30_000)
    expect(names.filter(has_text="wheels off, gap of 1 mm")).to_have_count(1)
    expect(names.filter(has_text="topple")).to_have_count(1)
    page.wait_for_timeout(500)
    page.evaluate("clipmarkPage.panels.close()")  # the session record is asked for once a day
    page.locator("#stage").focus()
    page.keyboard.press("i")
    there = re.compile("^(24|25|26)$")
    expect(page.locator("#picture")).to_have_attribute("data-ordinal", there, timeout=30_000)


def test_a_proposal_stands_beside_the_verdict_and_fills_nothing_in(serve, open_page, tilted):
    with EventFolder.open(tilted) as event:
        saved = event.attempt("a0001")
        body = saved.attempt.to_body()
        tilt = body["readings"][0]["result"]
        climb = {
            **{name: tilt[name] for name in ("clip_sha256", "fingerprint")},
            "frame": 0, "t_s": 0.0, "warnings": [], "proposed": "cleared", "finish_t_s": 0.7,
            "reason": "cleared: all wheels over the line at 0.70 s", "decided_t_s": 0.7,
            "tip_over_t_s": None, "entered_patch": [{"t_s": 1.2}],
        }  # fmt: skip
        body["readings"].append({"measure": "climb", "result": climb})
        event.save_attempt(body, by="M. Fell", id="a0001", base_revision=saved.revision)
    page = open_page(serve(tilted), query="#attempt=a0001")
    expect(page.locator("#slip")).to_contain_text("The footage proposes cleared", timeout=30_000)
    names = page.locator("#strip .strip-strong")
    expect(names.filter(has_text="finish")).to_have_count(1)
    expect(names.filter(has_text="something in the patch")).to_have_count(1)
    assert page.evaluate("clipmarkPage.store.draft.details.verdict") is None
    assert page.locator("#slip input[type=radio]:checked").count() == 0
