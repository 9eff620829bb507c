"""The guided attempt: its ring lies on what it speaks of, and its card never in the way."""

import json

import pytest
from playwright.sync_api import Page, expect

from clipmark.sample.media import sample_media_folder

pytestmark = pytest.mark.browser

MARKS = json.loads((sample_media_folder() / "marks" / "siskin-climb.json").read_text())
SIZES = {
    "laptop": {"viewport": {"width": 1280, "height": 720}},
    "upright tablet": {
        "viewport": {"width": 820, "height": 1180}, "has_touch": True, "is_mobile": True,
    },
}  # fmt: skip

# What is wrong with where ring and card lie, when `selector` is what is spoken of.
WRONG = """(selector) => {
  const box = (part) => part.getBoundingClientRect();
  const over = (a, b) => Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1
    && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 1;
  const [ring, card] = [document.querySelector('.coach-ring'), document.querySelector('.coach')];
  const wrong = [];
  const c = box(card);
  const isOut = c.left < 0 || c.top < 0 || c.right > innerWidth + 1 || c.bottom > innerHeight + 1;
  if (isOut) wrong.push('card out');
  for (const notice of document.querySelectorAll('.notice')) {
    if (over(c, box(notice))) wrong.push('card over a message');
  }
  if (selector === null) return ring.hidden ? wrong : [...wrong, 'a ring around nothing'];
  const target = document.querySelector(selector);
  if (!target || ring.hidden) return [...wrong, target ? 'no ring' : 'it is not there'];
  const [spoken, r] = [box(target), box(ring)];
  if (over(c, r)) wrong.push('card over ring');
  const near = (a, b) => Math.abs(a - b) <= 8;
  const [left, right] = [Math.max(0, spoken.left), Math.min(innerWidth, spoken.right)];
  if (!near(r.left, left) || !near(r.right, right)) wrong.push('ring beside it');
  if (r.top < spoken.top - 8 || r.bottom > spoken.bottom + 8) wrong.push('ring above or under it');
  if (r.height < Math.min(40, spoken.height) - 2) wrong.push('hardly in sight');
  return wrong;
}"""


def speaks_of(page: Page, title: str, selector: str | None) -> None:
    expect(page.locator(".coach-title")).to_have_text(title, timeout=20_000)
    page.wait_for_function(f"s => ({WRONG})(s).length === 0", arg=selector, timeout=8_000)


@pytest.mark.parametrize("size", list(SIZES))
def test_every_step_rings_what_it_speaks_of(serve, open_page, demo_copy, size):
    site = serve(demo_copy)
    page = open_page(site, **SIZES[size])
    page.goto(site.base.rstrip("/") + "/practice/?guide")
    page.wait_for_selector("html[data-ready=yes]", timeout=30_000)
    by_touch = "has_touch" in SIZES[size]
    speaks_of(page, "Open a clip", "[data-opens=clips]")
    page.locator("[data-opens=clips]").click()
    begin = "[aria-label='New attempt on this clip: siskin-climb.mp4']"
    speaks_of(page, "Open a clip", f"dialog {begin}")
    page.locator(f"dialog {begin}").click()
    page.wait_for_selector("#picture[data-exact=yes]", timeout=30_000)
    speaks_of(page, "Step through it", ".steps")
    page.locator(".steps button").filter(has_text="next").first.click()
    page.wait_for_selector("#picture[data-exact=yes]", timeout=30_000)
    titles = ("Say what is upright", "Mark the board", "Mark the hubs")
    for title, name in zip(titles, ("plumb", "ramp", "hubs"), strict=True):
        speaks_of(page, title, f"[data-pick={name}]")
        page.locator(f"[data-pick={name}]").click()
        speaks_of(page, title, "#stage")
        x1, y1, x2, y2 = MARKS[name]
        inset = 0.2 if name == "plumb" else 0.0
        for x, y in ((x1 + inset * (x2 - x1), y1 + inset * (y2 - y1)), (x2, y2)):
            at = page.evaluate(
                "([x, y]) => { const at = clipmarkPage.view.toScreen(x, y); return [at.x, at.y]; }",
                [x, y],
            )
            (page.touchscreen.tap if by_touch else page.mouse.click)(*at)
            page.wait_for_timeout(150)
    speaks_of(page, "Declare the view", ".legend-declare")
    page.locator(".legend-declare").click()
    dialog = page.locator("dialog[data-panel=declared]")
    speaks_of(page, "Declare the view", "dialog [data-field=lens]")
    dialog.locator("[data-field=lens] select").select_option(label="harrier-wide.json")
    speaks_of(page, "Declare the view", "dialog .declared-end .main")
    dialog.get_by_role("button", name="Done").click()
    speaks_of(page, "See the angle", "#ladder")
    page.locator(".coach").get_by_role("button", name="Go on").click()
    speaks_of(page, "Say from where to where", "#slip .span-cells")
    page.locator("[data-field=span-from]").click()
    speaks_of(page, "Fill in the slip", "#slip")
    page.evaluate("""() => clipmarkPage.store.change('slip', ({ details }) =>
      Object.assign(details, { entry: 'Siskin', test: 'board ladder', verdict: 'cleared' }))""")
    speaks_of(page, "Sign and save", "#slip .slip-sign")
    page.evaluate("clipmarkPage.store.setUi({ by: 'R. Aldous' })")
    page.locator("#slip").get_by_role("button", name="Sign and save").click()
    speaks_of(page, "Sign and save", "dialog .sign-end")
    page.locator("dialog").get_by_role("button", name="Sign and save").click()
    expect(page.locator("#notices")).to_contain_text("revision 1", timeout=30_000)
    speaks_of(page, "That is a whole attempt", None)


def test_the_view_is_declared_from_the_top_of_its_dialog(serve, open_page, demo_copy):
    page = open_page(serve(demo_copy))
    page.wait_for_timeout(400)
    page.evaluate("clipmarkPage.panels.close()")
    page.evaluate("clipmarkPage.actions.run('declare')")
    expect(page.locator("dialog[data-panel=declared]")).to_be_visible()
    assert (
        page.evaluate("document.querySelector('[data-panel=declared] .panel-body').scrollTop") == 0
    )
    assert page.evaluate("document.activeElement.closest('[data-panel=declared]') !== null")
