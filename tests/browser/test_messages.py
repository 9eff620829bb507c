"""What the page says: by name, in its place, and only as long as it holds."""

import shutil
from pathlib import Path

import pytest
from page_states import closed
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser

SIZES = {
    "laptop": {"viewport": {"width": 1280, "height": 720}},
    "large": {"viewport": {"width": 1920, "height": 1080}},
    "lying tablet": {
        "viewport": {"width": 1180, "height": 820}, "has_touch": True, "is_mobile": True,
    },
    "upright tablet": {
        "viewport": {"width": 820, "height": 1180}, "has_touch": True, "is_mobile": True,
    },
}  # fmt: skip
LONG = "The server does not answer; see whether it still runs. What is marked is kept here. " * 2

# Whatever can be pressed and lies under a message, outside of the picture.
COVERED = """() => {
  const notices = [...document.querySelectorAll('.notice')].map((n) => n.getBoundingClientRect());
  const pressed = [...document.querySelectorAll('main :is(button, a, input, select)')]
    .filter((part) => part.offsetParent !== null);
  const over = (a, b) => a.left < b.right && b.left < a.right
    && a.top < b.bottom && b.top < a.bottom;
  return pressed.filter((part) => notices.some((n) => over(n, part.getBoundingClientRect())))
    .map((part) => part.textContent || part.getAttribute('aria-label') || part.id);
}"""


def opened(page: Page, attempt: str = "a0002") -> None:
    closed(page)
    page.evaluate(f"clipmarkPage.opener.openAttempt('{attempt}')")
    page.wait_for_selector("#picture[data-exact=yes]", timeout=30_000)


@pytest.mark.parametrize("size", list(SIZES))
def test_messages_cover_nothing_to_press_and_let_presses_through(serve, open_page, demo_copy, size):
    page = open_page(serve(demo_copy), **SIZES[size])
    opened(page)
    page.evaluate(
        """text => {
          clipmarkPage.notices.say(text, 'refusal');
          clipmarkPage.notices.say(text + '!');
        }""",
        LONG,
    )
    page.wait_for_timeout(300)
    assert page.locator(".notice:visible").count() >= 2
    assert page.evaluate(COVERED) == []
    box = page.locator(".notice-refusal .notice-text").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    assert page.evaluate(
        "([x, y]) => document.elementFromPoint(x, y).closest('#stage') !== null", [x, y]
    )
    page.locator(".notice-refusal").get_by_role("button", name="Close this message").click()
    expect(page.locator(".notice-refusal")).to_have_count(0)


def test_what_is_said_of_an_attempt_goes_when_another_is_opened(serve, open_page, demo_copy):
    page = open_page(serve(demo_copy))
    opened(page)
    page.evaluate("""() => {
      clipmarkPage.notices.say('The camera has moved.', 'info');
      clipmarkPage.notices.say('The crawl could not be measured.', 'refusal');
      clipmarkPage.notices.say('event.toml cannot be read.', 'refusal', 'event');
    }""")
    opened(page, "a0001")
    expect(page.locator("#notices")).to_contain_text("event.toml cannot be read.")
    expect(page.locator("#notices")).not_to_contain_text("camera has moved")
    expect(page.locator("#notices")).not_to_contain_text("crawl could not")


def test_a_server_that_answers_again_is_said_and_nothing_else_of_it_stays(
    serve, open_page, demo_copy
):
    page = open_page(serve(demo_copy))
    opened(page)
    page.context.set_offline(True)
    page.evaluate("clipmarkPage.store.change('note', (d) => { d.details.note = 'dust'; })")
    expect(page.locator("#notices")).to_contain_text("not kept yet", timeout=15_000)
    page.context.set_offline(False)
    expect(page.locator("#notices")).to_contain_text("The server answers again.", timeout=15_000)
    expect(page.locator("#notices")).not_to_contain_text("does not answer")
    page.wait_for_function(
        """async () => (await clipmarkPage.api.get('api/drafts'))
          .drafts.some((draft) => draft.key === 'a0002')"""
    )


def test_a_sheet_broken_by_hand_is_named_and_its_mending_is_taken_up(serve, open_page, demo_copy):
    page = open_page(serve(demo_copy))
    opened(page)
    sheet = demo_copy / "event.toml"
    whole = sheet.read_text(encoding="utf-8")
    sheet.write_text(whole.replace("tries_per_step = 3", "tries_per_step = = 3"), encoding="utf-8")
    said = page.locator("#notices [role=alert]")
    expect(said).to_contain_text("event.toml, line 13", timeout=10_000)
    assert page.evaluate("clipmarkPage.store.event.entries.length") > 0
    more = whole + '\n[[entry]]\nname = "Ptarmigan"\n'
    sheet.write_text(more, encoding="utf-8")
    expect(page.locator("#notices")).to_contain_text(
        "event.toml is in order again.", timeout=10_000
    )
    expect(said).not_to_contain_text("event.toml")
    page.wait_for_function(
        "() => clipmarkPage.store.event.entries.some((item) => item.name === 'Ptarmigan')"
    )


def test_a_clip_that_is_gone_is_named_and_found_again_under_any_name(
    serve, open_page, demo_copy: Path, tmp_path: Path
):
    clips, away = demo_copy / "clips", tmp_path / "away"
    away.mkdir()
    shutil.move(clips / "dipper-creep.mp4", away / "dipper-creep.mp4")
    page = open_page(serve(demo_copy))
    closed(page)
    page.evaluate("clipmarkPage.opener.openAttempt('a0002')")
    gone = page.locator(".clip-gone")
    expect(gone).to_contain_text("The clip dipper-creep.mp4 is not in this event's folder now.")
    expect(page.locator("#slip [data-field=entry]")).to_have_value("Dipper")
    expect(page.locator("#ladder")).to_contain_text("11.63")
    expect(page.locator("#strip")).to_contain_text("22.076")
    expect(page.locator("#slip input[value=cleared]")).to_be_checked()
    gone.get_by_role("button", name="Look again").click()
    expect(gone).to_contain_text("It is not there yet.")
    shutil.copy(away / "dipper-creep.mp4", clips / "brought back.mp4")
    gone.get_by_role("button", name="Look again").click()
    page.wait_for_selector("#picture[data-exact=yes]", timeout=30_000)
    expect(gone).to_be_hidden()
    assert page.evaluate("clipmarkPage.store.dirty") is False


def test_the_same_clip_again_is_said_to_be_here_by_its_name(serve, open_page, demo_copy, tmp_path):
    page = open_page(serve(demo_copy))
    closed(page)
    page.evaluate("() => { clipmarkPage.panels.open('clips'); }")
    again, notes = tmp_path / "copy of it.mp4", tmp_path / "notes.mp4"
    shutil.copy(demo_copy / "clips" / "siskin-climb.mp4", again)
    notes.write_text("wipe the board before every run\n" * 20)
    page.locator("dialog [data-pick=files]").set_input_files([again, notes])
    rows = page.locator("dialog .upload")
    expect(rows.nth(0)).to_contain_text("here already", timeout=15_000)
    expect(rows.nth(0)).to_contain_text(
        "copy of it.mp4 is the same clip as siskin-climb.mp4, which is in this event already; "
        "nothing was taken in."
    )
    expect(rows.nth(1)).to_contain_text(
        "notes.mp4 is not footage: no moving picture can be read in it"
    )
    assert not (demo_copy / "clips" / "copy of it.mp4").exists()


def test_a_record_over_the_session_file_says_which_one_holds(serve, open_page, demo_copy):
    page = open_page(serve(demo_copy))
    closed(page)
    answer = page.evaluate("clipmarkPage.api.get('api/session')")
    body = answer["body"] | {"room_c": 21.0, "source_sha256": None}
    asked = {"by": "M. Fell", "base_revision": answer["revision"], "body": body}
    page.evaluate("asked => clipmarkPage.api.put('api/session', asked)", asked)
    page.evaluate("() => { clipmarkPage.panels.open('session'); }")
    box = page.get_by_role("region", name="session.toml says otherwise")
    expect(box).to_contain_text("What holds is the record below, saved on the page by M. Fell")
    row = box.locator("tbody tr")
    expect(row).to_have_count(1)
    assert row.locator("td").all_inner_texts() == ["Room", "21", "18.5"]
    box.get_by_role("button", name="Take the file's into the form").click()
    room = page.locator("dialog [data-field=room_c] input")
    expect(room).to_have_value("18.5")
    room.fill("-400")
    page.locator("dialog").get_by_label("Written down by").fill("M. Fell")
    page.get_by_role("button", name="Save the record").click()
    expect(page.locator("dialog [data-field=room_c]")).to_contain_text(
        "Room must be from -60 to 60 °C, but -400 was given."
    )
    room.fill("18.5")
    page.get_by_role("button", name="Save the record").click()
    expect(page.locator("dialog[open]")).to_have_count(0)
    after = page.evaluate("clipmarkPage.api.get('api/session')")
    assert (after["body"]["room_c"], after["file"]) == (18.5, None)
