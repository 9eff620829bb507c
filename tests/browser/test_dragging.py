"""While a point is dragged nothing waits for the network, and what is seen keeps up."""

import pytest
from page_states import STATES
from playwright.sync_api import Page, expect

pytestmark = [pytest.mark.browser, pytest.mark.timeout(180)]

# Moves the point in hand once for every picture of the screen, and counts what is drawn.
MOVE = """frames => new Promise(resolve => {
  const [x, y] = clipmarkPage.store.draft.marks.ramp;
  let pixels = 0;
  let done = 0;
  const since = performance.now();
  const count = () => { pixels += 1; };
  window.addEventListener("clipmark:pixels", count);
  const next = () => {
    if (done === frames) {
      window.removeEventListener("clipmark:pixels", count);
      const seconds = (performance.now() - since) / 1000;
      resolve({ frames, pixels, seconds });
      return;
    }
    done += 1;
    clipmarkPage.edit.moveHand({ x: x + (done % 30) * 0.7, y: y + (done % 17) * 0.5 });
    requestAnimationFrame(next);
  };
  requestAnimationFrame(next);
})"""


@pytest.fixture
def marked(serve, open_page, demo_copy) -> Page:
    page = open_page(serve(demo_copy))
    STATES["marking"](page)
    return page


def end_of_the_ramp(page: Page) -> dict[str, float]:
    return page.evaluate(
        "(([x, y]) => ({ ...clipmarkPage.view.toScreen(x, y), px: x, py: y }))"
        "(clipmarkPage.store.draft.marks.ramp.slice(0, 2))"
    )


def drag(page: Page, moves: int, dx: float = 40, dy: float = -25) -> None:
    at = end_of_the_ramp(page)
    page.mouse.move(at["x"], at["y"])
    page.mouse.down()
    for part in range(1, moves + 1):
        page.mouse.move(at["x"] + dx * part / moves, at["y"] + dy * part / moves)


def test_a_drag_never_waits_for_the_network(marked):
    """Every request is held back, and the point still goes along with the hand."""
    marked.route("**/api/**", lambda route: None)
    before = end_of_the_ramp(marked)
    drag(marked, 10)
    after = end_of_the_ramp(marked)
    assert after["x"] - before["x"] == pytest.approx(40, abs=1)
    assert after["y"] - before["y"] == pytest.approx(-25, abs=1)
    line = marked.locator("#marks [data-mark=ramp] .mark-line").first
    assert line.bounding_box()["x"] == pytest.approx(after["x"], abs=8)
    marked.mouse.up()


def test_the_pixel_window_is_drawn_anew_with_every_picture_of_the_screen(marked):
    """So 60 times a second on a screen of 60, as long as the machine keeps up."""
    marked.keyboard.press("3")
    marked.wait_for_timeout(800)
    counted = marked.evaluate(MOVE, 120)
    print(counted)
    assert counted["pixels"] >= 0.9 * counted["frames"]


def test_a_drag_is_one_step_to_undo(marked):
    before = marked.evaluate("JSON.stringify(clipmarkPage.store.draft)")
    drag(marked, 12)
    marked.mouse.up()
    assert marked.evaluate("JSON.stringify(clipmarkPage.store.draft)") != before
    marked.keyboard.press("u")
    assert marked.evaluate("JSON.stringify(clipmarkPage.store.draft)") == before


def test_the_angle_follows_the_drag_and_says_that_it_is_preliminary(marked):
    drag(marked, 12, dx=0, dy=4)
    expect(marked.locator("#ladder")).to_contain_text("preliminary", timeout=10_000)
    marked.mouse.up()
    marked.wait_for_function(
        "() => !document.querySelector('#ladder').innerText.includes('preliminary')",
        timeout=60_000,
    )


@pytest.mark.parametrize(
    ("key", "moved"), [("ArrowRight", 1.0), ("Shift+ArrowRight", 10.0), ("Alt+ArrowRight", 0.1)]
)
def test_arrows_nudge_the_point_in_hand(marked, key, moved):
    marked.keyboard.press("3")
    before = end_of_the_ramp(marked)["px"]
    marked.keyboard.press(key)
    assert end_of_the_ramp(marked)["px"] - before == pytest.approx(moved, abs=1e-6)
