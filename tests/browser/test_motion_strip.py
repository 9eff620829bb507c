"""The motion strip and the crawl's numbers: wheels, phases, noise floor, grade, in words."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from clipmark.record.clips import clip_sha256

pytestmark = pytest.mark.browser
MARKS = Path(__file__).parents[2] / "sample_media" / "marks"
SET = """([result, trace]) => import('./static/js/store.js').then(({ marksKey }) => {
  const { store } = clipmarkPage;
  const key = marksKey('crawl', store.draft);
  store.setReading('crawlTrace', trace, key);
  store.setReading('crawl', result, key);
})"""


@pytest.fixture
def slip(sample_event: Path, serve: Callable, open_page: Callable) -> Page:
    """The sample's stalling crawl, opened on a new attempt of the graded test."""
    page = open_page(serve(sample_event), viewport={"width": 1600, "height": 900})
    for _ in range(4):
        page.evaluate("clipmarkPage.panels.close()")
        page.wait_for_timeout(150)
    page.evaluate("clipmarkPage.notices.clear()")
    sha = clip_sha256(sample_event / "clips" / "siskin-stall.mp4")
    page.evaluate("(sha) => clipmarkPage.opener.openClip(sha)", sha)
    page.evaluate("document.activeElement.blur()")
    page.evaluate("clipmarkPage.store.change('test', (d) => { d.details.test = 'creep'; })")
    return page


def made_up(page: Page) -> None:
    """Down, held with wheels locked, backed up: drawn without measuring anything."""
    t = [k / 60 for k in range(180)]
    v = [20.0 if x < 1 else 0.5 if x < 2 else -15.0 for x in t]
    trace = {
        "t_s": t, "s_mm": [20 * min(x, 1) for x in t], "v_mm_s": v, "u_v_mm_s": [0.2] * 180,
        "wheel1_deg_s": [2 * x for x in v], "wheel1_surface_mm_s": [x + 3 for x in v],
        "wheel2_deg_s": [2 * x for x in v],
    }  # fmt: skip
    spans = {"down": (0, 1), "held": (1, 2), "reverse": (2, 2.95)}
    phases = [
        {
            "phase": name,
            "t_s": a,
            "until_s": b,
            "wheels": "rolling",
            "moved_by": "driven",
            "why": "",
        }
        for name, (a, b) in spans.items()
    ]
    phases[1] |= {"wheels": "locked", "moved_by": "sliding", "drift_mm_s": 0.5}
    slip = {"wheel": 1, "driving": 0.13, "driving_u95": 0.02, "driving_low95": 0.11}
    result = {
        "mean_speed_mm_s": 2.0, "mean_speed_u95_mm_s": 0.1, "phases": phases,
        "stalls": [{"t_s": 1.0, "dwell_s": 1.0, "dwell_u95_s": 0.02, "commanded": True}],
        "noise_floor_mm_s": 0.4, "roll_off_mm": 0.5, "roll_off_u95_mm": 0.1, "warnings": [],
        "roll_off_low95_mm": 0.4, "roll_off_high95_mm": 0.6, "start_jump": None,
        "slip": [slip | {"driving_high95": 0.15, "form": "driving 1 - v/(omega r)"}, {"wheel": 2}],
        "grade": {"test": "creep", "measure": "ripple", "grade": 4, "p": {"4": 0.8, "3": 0.2},
                  "said": "Grade 4, with 80 %."},
    }  # fmt: skip
    page.evaluate(SET, [result, trace])


def number(page: Page, name: str):
    return page.locator(f"#strip .number[data-name={name}]")


def test_the_strip_names_phases_wheels_and_noise_floor(slip: Page) -> None:
    made_up(slip)
    expect(slip.locator(".strip-phase")).to_have_count(3)
    names = slip.locator(".strip-phase-name").all_text_contents()
    assert names == ["down", "held: wheels locked, sliding", "reverse"]
    expect(slip.locator(".strip-stall")).to_have_count(0)  # the stop was asked for
    expect(number(slip, "stalls")).to_contain_text("stalls 0")
    expect(slip.locator(".strip-wheel")).to_have_count(2)
    dashes = slip.locator(".strip-wheel").evaluate_all(
        "lines => lines.map((line) => getComputedStyle(line).strokeDasharray)"
    )
    assert len(set(dashes)) == 2
    assert "none" not in dashes
    notes = slip.locator(".strip-note").all_text_contents()
    assert {"wheel 1", "wheel 2 (own scale)", "noise floor"} <= set(notes)


def test_names_on_the_strip_stay_on_it_in_a_small_window(slip: Page) -> None:
    made_up(slip)
    slip.set_viewport_size({"width": 820, "height": 1180})
    slip.wait_for_timeout(300)
    frame = slip.locator(".strip-frame").bounding_box()
    for name in slip.locator(".strip-phase-name").all():
        box = name.bounding_box()
        assert box["x"] >= frame["x"]
        assert box["x"] + box["width"] <= frame["x"] + frame["width"]


def test_what_cannot_be_told_is_said_in_words_with_what_it_needs(slip: Page) -> None:
    made_up(slip)
    expect(number(slip, "start_jump")).to_contain_text("start jump not told")
    expect(number(slip, "roll_off_mm")).to_contain_text("0.50 ± 0.10 mm")
    expect(number(slip, "slip")).to_contain_text("wheel 1 0.130 ± 0.020, wheel 2 not told")
    expect(number(slip, "phases")).to_contain_text("down, held, reverse")
    number(slip, "start_jump").locator("button").focus()
    expect(slip.locator(".number-card")).to_contain_text("a start from rest lies in the span")


def test_the_grade_says_how_sure_it_is_and_for_which_test(slip: Page) -> None:
    made_up(slip)
    expect(number(slip, "grade")).to_contain_text("grade 4 (80\u00a0%)")
    number(slip, "grade").locator("button").focus()
    card = slip.locator(".number-card")
    expect(card).to_contain_text("Grade 4, with 80 %.")
    expect(card).to_contain_text("grade 3: 20\u00a0%")
    slip.keyboard.press("Escape")
    change = "clipmarkPage.store.change('test', (d) => { d.details.test = 'board ladder'; })"
    slip.evaluate(change)
    expect(number(slip, "grade")).to_contain_text("of the test creep")


def test_a_crawl_with_wheels_is_measured_graded_and_drawn(slip: Page) -> None:
    marks = json.loads((MARKS / "siskin-stall.json").read_text(encoding="utf-8"))
    for name in ("clip", "measure"):
        marks.pop(name)
    x1, y1, x2, y2 = marks["hubs"]
    rim = marks["rim_px"]
    marks |= {"wheels": [[x1, y1, rim, rim, 0], [x2, y2, rim, rim, 0]], "wheel_mm": 54}
    slip.evaluate(
        "(marks) => clipmarkPage.store.change('marks', (d) => Object.assign(d.marks, marks))", marks
    )
    slip.keyboard.press("Shift+M")
    expect(slip.locator(".strip-wheel")).to_have_count(2, timeout=90_000)
    expect(number(slip, "slip")).to_contain_text("wheel 1")
    held = slip.evaluate("clipmarkPage.store.readings.crawl.result")
    assert held["grade"]["test"] == "creep"
    with_other_terms = """clipmarkPage.store.setEvent({ ...clipmarkPage.store.event, tests:
        clipmarkPage.store.event.tests.map((test) => ({ ...test, terms:
            { hold_s: 2, band_hz: test.id === 'creep' ? [0.5, 5] : [1, 8] } })) })"""
    slip.evaluate(with_other_terms)
    current = "clipmarkPage.store.current('crawl') !== null"
    assert slip.evaluate(current)
    slip.evaluate("clipmarkPage.store.change('test', (d) => { d.details.test = 'board ladder'; })")
    assert not slip.evaluate(current)  # measured in another band than that test asks for
    slip.evaluate("clipmarkPage.store.change('test', (d) => { d.details.test = 'creep'; })")
    assert slip.evaluate(current)
    expect(number(slip, "grade")).to_contain_text(f"grade {held['grade']['grade']:g}")
