"""The report in a real browser: accessible, nothing cut off, nothing fetched, prints on A4."""

import re
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from clipmark.report.from_scoring import results_view
from clipmark.reporting import report_of_event
from tests.report.report_kit import NASTY, make_event
from tests.report.scored_kit import attempt, scored

pytestmark = pytest.mark.browser
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
FAULTS = """rules => axe.run(document, { runOnly: { type: "tag", values: rules } })
  .then(found => found.violations.map(item =>
    `${item.id}: ` + item.nodes.map(node => node.target.join(" ")).slice(0, 4).join("; ")))"""
SIZES = {
    "phone": (390, 844),
    "narrow phone": (320, 640),
    "tablet": (820, 1180),
    "desk": (1280, 720),
}


@pytest.fixture(scope="module")
def page_file(tmp_path_factory) -> Path:
    """A report with standings, set-ups, a protest, and names that try to break it."""
    folder = tmp_path_factory.mktemp("browser") / "event"
    with make_event(folder, ["Siskin", *NASTY]) as event:
        claim = {"measure": "ramp_deg", "relation": "at most", "value": 28.0, "unit": "deg"}
        body = event.attempt("a0001").attempt.model_dump() | {"claim": claim}
        event.save_attempt(body, by="Fell", id="a0001", base_revision=1)
    tries = tuple(
        attempt(n, setup, "creep", 0.1 + 0.01 * n, 0.004)
        for n, setup in enumerate(["as entered", "as entered", "soft tyres", "soft tyres"])
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            "clipmark.reporting.results_of", lambda event, sheet: results_view(scored(tries))
        )
        return report_of_event(folder).page


def test_no_accessibility_fault(browser: Browser, page_file: Path, axe_source: str):
    page = browser.new_page(bypass_csp=True)
    page.goto(page_file.as_uri())
    page.evaluate(axe_source)
    assert page.evaluate(FAULTS, RULES) == []
    page.close()


@pytest.mark.parametrize("size", SIZES)
def test_nothing_is_cut_off_and_nothing_is_fetched(browser: Browser, page_file: Path, size: str):
    width, height = SIZES[size]
    page = browser.new_page(viewport={"width": width, "height": height})
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    alerts: list[str] = []
    page.on("dialog", lambda dialog: alerts.append(dialog.message))
    page.goto(page_file.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 1
    assert [url for url in asked if not url.startswith(("data:", page_file.as_uri()))] == []
    assert alerts == []
    images = page.evaluate("[...document.images].map(image => image.naturalWidth)")
    assert images
    assert all(images)
    page.close()


def test_it_prints_on_a4_and_wastes_no_paper(browser: Browser, page_file: Path, tmp_path: Path):
    page = browser.new_page()
    page.goto(page_file.as_uri())
    page.pdf(path=str(tmp_path / "report.pdf"), prefer_css_page_size=True)
    page.close()
    printed = (tmp_path / "report.pdf").read_bytes()
    boxes = set(re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", printed))
    assert {(round(float(w)), round(float(h))) for w, h in boxes} == {(595, 842)}
    assert len(re.findall(rb"/Type /Page\b(?!s)", printed)) <= 12
