"""A side tilt and a climb on the page: marked, measured, looked at, signed."""

import json
import re
import shutil

import pytest
from page_states import closed
from playwright.sync_api import Page, expect

from clipmark.cli.app import status_of
from clipmark.record.clips import clip_sha256
from clipmark.record.folder import EventFolder
from clipmark.sample.media import sample_media_folder
from tests.browser.test_states import CUT_OFF, FAULTS, RULES
from tests.browser.test_whole_job import move_cross_to, on_screen, pairs
from tests.cli.test_tilt_verb import options
from tests.page import motion_kit as kit

pytestmark = [pytest.mark.browser, pytest.mark.timeout(240)]

MEDIA = sample_media_folder()
STALL = json.loads((MEDIA / "marks" / "siskin-stall.json").read_text())
TOO_SMALL = """least => [...document.querySelectorAll(
    "#side button, #run :is(button, input, select, summary), .motion-choice")]
  .filter(node => node.offsetParent !== null)
  .map(node => [node.textContent || node.dataset.term, node.getBoundingClientRect()])
  .filter(([, box]) => box.width < least || box.height < least)
  .map(([name, box]) => `${name}: ${box.width} x ${box.height}`)"""


@pytest.fixture(scope="session")
def left(tmp_path_factory):
    """A truck tilted with its left side low, drawn."""
    return kit.film_one(tmp_path_factory.mktemp("tilt"))


@pytest.fixture
def event(tmp_path, left):
    """An event with the clip of a side tilt and of a climb, and no attempts."""
    folder = kit.make_event(tmp_path / "event")
    shutil.copy(left.path, folder / "clips" / "left.mp4")
    shutil.copy(MEDIA / "siskin-stall.mp4", folder / "clips")
    return folder


@pytest.fixture(scope="session")
def saved_event(tmp_path_factory, left):
    """An event with a tilt and a climb that the command line measured and saved."""
    folder = kit.make_event(tmp_path_factory.mktemp("saved") / "event")
    common = ["--into", str(folder), "--entry", "Siskin", "--by", "M. Fell", "--json"]
    tilt = ["tilt", str(left.path), *options(left), "--test", "side tilt", "--track-mm", "108"]
    climb = ["climb", str(MEDIA / "siskin-stall.mp4"), "--frame", "0", "--span", "0:60"]
    for name in ("patch", "ramp", "hubs", "plumb", "scale"):
        climb += [f"--{name}", ",".join(str(value) for value in STALL[name])]
    climb += ["--scale-mm", "200", "--square-within", "3", "--test", "board ladder"]
    assert status_of([*tilt, *common]) == 0
    assert status_of([*climb, *common]) == 0
    return folder


@pytest.fixture
def saved(saved_event, tmp_path):
    return shutil.copytree(saved_event, tmp_path / "event")


def begin(page: Page, event, clip: str, test: str) -> None:
    """A new attempt of Siskin on a clip, with the exact picture."""
    closed(page)
    given = {
        "clip": clip_sha256(event / "clips" / clip),
        "details": {"entry": "Siskin", "test": test},
    }
    page.evaluate("given => clipmarkPage.opener.newAttempt(given)", given)
    page.wait_for_selector("#picture[data-exact=yes]", timeout=30_000)


def opened(page: Page, id: str) -> None:
    closed(page)
    page.evaluate("id => clipmarkPage.opener.openAttempt(id)", id)
    page.wait_for_selector("#picture[data-exact=yes]", timeout=30_000)
    expect(page.locator("#run .run-found h3").first).to_be_visible(timeout=30_000)


def tilt_job(left) -> list[tuple[str, str, list[float]]]:
    """Legend name, key and points of everything that is marked of a tilt."""
    marks = kit.tilt_marks(left)
    x, y, w, h = marks["uphill_tyres"][0]
    return [
        ("platform line", "k", marks["platform"]),
        ("chassis rail", "5", marks["chassis"]),
        ("uphill tyre", "y", [x, y, x + w, y + h]),
        ("level line", "1", marks["level"]),
        ("scale mark", "7", marks["scale"]),
    ]


def saved_tilt(event, left) -> None:
    """One attempt was signed, with a tilt whose interval holds the true angle, and no verdict."""
    with EventFolder.open(event) as folder:
        (found,) = folder.attempts()
    told = found.attempt.reading("tilt").result
    assert told["tilt_low95_deg"] <= left.scene.balance_deg <= told["tilt_high95_deg"]
    assert (told["gap_mm"], told["track_mm"]) == (1.5, 108.0)
    assert found.attempt.verdict is None


def test_a_tilt_by_mouse_from_the_first_mark_to_the_signature(serve, open_page, event, left):
    page = open_page(serve(event))
    begin(page, event, "left.mp4", "side tilt")
    expect(page.locator(".motion-choice")).to_have_value("tilt")  # by the test on the slip
    run = page.locator("#run")
    expect(run).to_contain_text("Mark two places along the platform's edge")
    run.get_by_role("button", name="Measure side tilt").click(force=True)
    expect(page.locator("#notices")).to_contain_text("Mark two places along the platform's edge")
    for name, _, values in tilt_job(left):
        page.locator("#legend").get_by_role("button", name=name).first.click()
        for x, y in pairs(values):
            page.mouse.click(*on_screen(page, x, y))
    page.locator(".mark-values input").fill("200")
    page.keyboard.press("Enter")
    run.get_by_label("Gap that counts").fill("1.5")
    run.get_by_label("Track, mm").fill("108")
    run.get_by_label("Track, mm").blur()
    page.locator("#strip").get_by_role("button", name="Measure side tilt").click()
    expect(run).to_contain_text("both uphill wheels off", timeout=60_000)
    expect(run).to_contain_text("gap of 1.5 mm")
    strip = page.locator("#strip .strip-strong")
    expect(strip.filter(has_text="first motion")).to_have_count(1)
    page.keyboard.press("Escape")
    run.get_by_role("button", name=re.compile("topple.*go there")).click()
    topple = re.compile("^(3[6-9]|4[0-2])$")
    expect(page.locator("#picture")).to_have_attribute("data-ordinal", topple, timeout=20_000)
    page.locator("#slip [data-field=by]").fill("M. Fell")
    page.keyboard.press("Escape")
    page.locator("#slip").get_by_role("button", name="Sign and save").click()
    dialog = page.locator("dialog[open]")
    expect(dialog).to_contain_text("gap of 1.5 mm, track 108 mm")
    dialog.get_by_role("button", name="Sign and save").click()
    expect(page.locator("#notices")).to_contain_text("revision 1", timeout=60_000)
    saved_tilt(event, left)


def test_a_tilt_by_keyboard_alone(serve, open_page, event, left):
    page = open_page(serve(event))
    begin(page, event, "left.mp4", "")
    page.locator("#stage").focus()
    page.keyboard.press("q")
    page.keyboard.press("q")
    expect(page.locator(".motion-choice")).to_have_value("tilt")
    for _, key, values in tilt_job(left):
        page.keyboard.press(key)
        for x, y in pairs(values):
            move_cross_to(page, x, y)
            page.keyboard.press("Enter")
    fill(page, ".mark-values input", "200")
    fill(page, "#run [data-term=gap_mm]", "1.5")
    fill(page, "#run [data-term=track_mm]", "108")
    fill(page, "#slip [data-field=test]", "side tilt")
    page.keyboard.press("Shift+M")
    expect(page.locator("#run")).to_contain_text("topple", timeout=60_000)
    page.keyboard.press("u")  # the choice, the marks and terms are undone one by one
    page.keyboard.press("Shift+U")
    page.keyboard.press("a")
    first = re.compile("^2[3-7]$")
    expect(page.locator("#picture")).to_have_attribute("data-ordinal", first, timeout=20_000)
    fill(page, "#slip [data-field=by]", "M. Fell")
    page.keyboard.press("Control+Enter")
    page.keyboard.press("Enter")
    expect(page.locator("#notices")).to_contain_text("revision 1", timeout=60_000)
    saved_tilt(event, left)


def fill(page: Page, selector: str, text: str) -> None:
    """Type into a field that Tab reaches, and go back to the frame."""
    page.locator(selector).focus()
    page.keyboard.type(text)
    page.keyboard.press("Tab")
    page.locator("#stage").focus()


def test_two_tyres_at_most_and_each_can_be_undone(serve, open_page, event, left):
    page = open_page(serve(event), viewport={"width": 1180, "height": 820}, has_touch=True)
    begin(page, event, "left.mp4", "side tilt")
    pick = page.locator("#legend").get_by_role("button", name="uphill tyre").first
    for at in (100, 160):
        page.keyboard.press("Escape")
        page.evaluate("clipmarkPage.store.setUi({ tool: 'tyre', hand: null })")
        for x in (at, at + 30):
            page.touchscreen.tap(*on_screen(page, x, x))
    assert page.evaluate("clipmarkPage.store.draft.marks.uphill_tyres.length") == 2
    page.evaluate("clipmarkPage.store.setUi({ tool: 'tyre', hand: null })")
    page.touchscreen.tap(*on_screen(page, 300, 300))
    expect(page.locator("#notices")).to_contain_text("a truck has 2 of them")
    page.keyboard.press("Escape")
    page.locator("#tools").get_by_role("button", name="Undo").tap()
    expect(pick).to_contain_text("✓")
    assert page.evaluate("clipmarkPage.store.draft.marks.uphill_tyres.length") == 1


def test_a_climb_measured_just_now_fills_no_verdict_in(serve, open_page, event):
    page = open_page(serve(event))
    begin(page, event, "siskin-stall.mp4", "board ladder")
    kept = ("patch", "ramp", "hubs", "scale", "scale_mm", "square_within")
    marks = {name: STALL[name] for name in kept} | {"span": [0, 30], "finish": [900, 250, 960, 330]}
    page.evaluate(
        "marks => clipmarkPage.store.change('marks', draft => Object.assign(draft.marks, marks))",
        marks,
    )
    page.locator("#stage").focus()
    page.keyboard.press("Shift+M")
    slip = page.locator("#slip")
    expect(slip).to_contain_text("The footage proposes unclear", timeout=90_000)
    expect(slip).to_contain_text("The verdict is the judge's")
    expect(page.locator("#run .proposal")).to_contain_text("is not filled in")
    expect(page.locator("#run")).not_to_contain_text("--")
    said = page.evaluate("clipmarkPage.store.draft.details")
    assert (said["verdict"], said["reason"], said["travel"]) == (None, None, "up")
    assert slip.locator("input[type=radio]:checked").count() == 0
    page.locator("#side").get_by_role("button", name="Step ladder").click()
    expect(page.locator("#ladder")).to_be_visible()
    expect(page.locator("#run")).to_be_hidden()


def test_a_descent_keeps_the_three_facts_of_a_reverse_apart(serve, open_page, saved):
    """Of a reading made up for it: a wheel turned back, the body moved, and driving is not told."""
    with EventFolder.open(saved) as event:
        held = event.attempt("a0002")
        body = held.attempt.to_body()
        body["readings"][-1]["result"] |= {
            "mode": "descend",
            "reverse": {
                "wheel_turned_back": {"seen": True, "deg": 12.5, "wheel": 1, "t_s": 0.5},
                "body_moved_back": {"seen": False, "mm": 0.0, "t_s": None},
                "driven": {"seen": None, "why": "no move back was seen"},
            },
        }
        body["declared"]["mode"] = "descend"
        event.save_attempt(body, by="M. Fell", id="a0002", base_revision=held.revision)
    page = open_page(serve(saved))
    opened(page, "a0002")
    run = page.locator("#run")
    facts = run.locator("li.told").filter(
        has_text=re.compile("wheel turned|body moved|driven back")
    )
    assert [re.sub(r"\s+", " ", text) for text in facts.all_inner_texts()] == [
        "a wheel turned back yes 0.500 s wheel 1, 12.5°",
        "the body moved back no",
        "it was driven back not told no move back was seen",
    ]
    run.get_by_role("button", name=re.compile("a wheel turned back.*go there")).click()
    expect(page.locator("#picture")).to_have_attribute("data-ordinal", re.compile("^(29|30|31)$"))


def test_the_other_side_is_picked_from_the_saved_tilts_of_the_entry(serve, open_page, saved):
    page = open_page(serve(saved))
    begin(page, saved, "left.mp4", "side tilt")
    join = page.locator("#run").get_by_label("Join the other side")
    expect(join.locator("option")).to_have_count(2, timeout=10_000)
    join.select_option(index=1)
    assert page.evaluate("clipmarkPage.store.draft.marks.join") == "a0001"
    needed = page.locator("#run .run-needs")
    expect(needed).to_contain_text("Joining both sides needs the track")
    needed.get_by_role("button", name="Give the track").click()
    page.keyboard.type("108")
    page.keyboard.press("Tab")
    expect(needed).not_to_contain_text("needs the track")


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_no_accessibility_fault_beside_the_frame(serve, open_page, saved, axe_source, theme):
    page = open_page(serve(saved), color_scheme=theme, bypass_csp=True)
    page.evaluate(axe_source)
    begin(page, saved, "left.mp4", "side tilt")
    assert page.evaluate(FAULTS, RULES) == []
    for id in ("a0001", "a0002"):
        opened(page, id)
        for details in page.locator("#run details").all():
            details.evaluate("node => { node.open = true; }")
        page.wait_for_timeout(300)
        assert page.evaluate(FAULTS, RULES) == [], id


@pytest.mark.parametrize(
    ("size", "touch", "least"),
    [((1280, 720), False, 24), ((820, 1180), True, 44), ((1180, 820), True, 44)],
    ids=["desk", "tablet-standing", "tablet-lying"],
)
def test_everything_beside_the_frame_can_be_pressed_and_nothing_is_cut_off(
    serve, open_page, saved, size, touch, least
):
    page = open_page(
        serve(saved), viewport={"width": size[0], "height": size[1]}, has_touch=touch,
        is_mobile=touch,
    )  # fmt: skip
    for id in ("a0001", "a0002"):
        opened(page, id)
        for details in page.locator("#run details").all():
            details.evaluate("node => { node.open = true; }")
        assert page.evaluate(TOO_SMALL, least) == []
        assert page.evaluate(CUT_OFF) == []
