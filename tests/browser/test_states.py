"""Every state of the page: no accessibility fault, nothing cut off, and pictures to look at.

Pictures of all states at four sizes, light and dark, are written where CLIPMARK_SCREENSHOTS
points: ``CLIPMARK_SCREENSHOTS=shots pytest -m "browser and slow" tests/browser/test_states.py``.
"""

import os
from pathlib import Path

import pytest
from page_states import STATES

pytestmark = [pytest.mark.browser, pytest.mark.timeout(240)]

SIZES = {
    "1280x720": (1280, 720),
    "1920x1080": (1920, 1080),
    "tablet-standing": (820, 1180),
    "tablet-lying": (1180, 820),
}
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
FAULTS = """rules => axe.run(document, { runOnly: { type: "tag", values: rules } })
  .then(found => found.violations.map(item =>
    `${item.id}: ${item.help}: ` +
    item.nodes.map(node => node.target.join(" ")).slice(0, 4).join("; ")))"""
# Anything that reaches out of the window sideways: the page itself must never scroll that way.
CUT_OFF = """() => {
  const wide = document.documentElement.scrollWidth - innerWidth;
  if (wide <= 1) return [];
  return [...document.querySelectorAll("main *, dialog[open] *")]
    .filter(node => node.getBoundingClientRect().right > innerWidth + 1)
    .map(node => `${node.tagName}.${node.className}`).slice(0, 5).concat([`${wide} px too wide`]);
}"""


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("state", STATES)
def test_no_accessibility_fault(serve, open_page, demo_copy, axe_source, state, theme):
    page = open_page(serve(demo_copy), color_scheme=theme, bypass_csp=True)
    STATES[state](page)
    page.evaluate(axe_source)
    assert page.evaluate(FAULTS, RULES) == []


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("state", ["marking", "signing", "clips", "guided"])
def test_nothing_is_cut_off(serve, open_page, demo_copy, state, size):
    width, height = SIZES[size]
    page = open_page(serve(demo_copy), viewport={"width": width, "height": height})
    STATES[state](page)
    assert page.evaluate(CUT_OFF) == []


def test_the_frame_has_most_of_the_page(serve, open_page, demo_copy):
    page = open_page(serve(demo_copy))
    STATES["marking"](page)
    box = page.locator("#stage").bounding_box()
    assert box["width"] * box["height"] > 0.4 * 1280 * 720


@pytest.mark.slow
@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_pictures_to_look_at(serve, open_page, demo_copy, tmp_path, size, theme):
    width, height = SIZES[size]
    target = Path(os.environ.get("CLIPMARK_SCREENSHOTS", tmp_path))
    target.mkdir(parents=True, exist_ok=True)
    site = serve(demo_copy)
    for name, state in STATES.items():
        page = open_page(
            site,
            viewport={"width": width, "height": height},
            color_scheme=theme,
            has_touch=size.startswith("tablet"),
        )
        state(page)
        page.screenshot(path=target / f"{name}-{size}-{theme}.png")
        page.context.close()
    assert len(list(target.glob(f"*-{size}-{theme}.png"))) >= len(STATES)
