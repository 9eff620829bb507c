"""The page: valid, alone, safe with any name, readable, and honest beside its numbers."""

import re
from dataclasses import replace
from html.parser import HTMLParser
from itertools import product

import html5lib
import pytest

from clipmark.record.models import Claim
from clipmark.report import ink
from clipmark.report.from_scoring import results_view
from clipmark.report.html import ReportPage, render
from clipmark.report.tokens import colour, contrast, root_rule
from clipmark.report.words import Figure, claim_words, file_names, measured, percent, place_words
from clipmark.reporting import report_of_event
from tests.report.report_kit import NASTY, make_event
from tests.report.scored_kit import scored


class Addresses(HTMLParser):
    """Every attribute that makes a browser fetch or go somewhere."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self.tags: set[str] = set()

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        self.found += [v or "" for k, v in attrs if k in ("src", "href", "srcset", "action", "data",
                                                          "poster", "background")]  # fmt: skip
        assert not [k for k, _ in attrs if k.startswith("on")]


@pytest.fixture(scope="module")
def text(made) -> str:
    return made.page.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def standings() -> str:
    """The page of a scored event, without attempts."""
    page = ReportPage("Event", "", "", "", results_view(scored()), (), ())
    return render(page).decode()


def test_the_page_is_valid_html(text, standings):
    for page in (text, standings):
        parser = html5lib.HTMLParser(strict=True)
        parser.parse(page)
        assert not parser.errors


def test_the_page_reaches_for_nothing_outside_of_itself(text):
    parser = Addresses()
    parser.feed(text)
    assert parser.found
    assert all(each.startswith(("#", "data:image/")) for each in parser.found)
    assert not parser.tags & {"script", "iframe", "object", "embed", "link", "form", "base"}
    assert "url(" not in text
    assert "@import" not in text


def test_every_inner_link_leads_somewhere(text):
    ids = re.findall(r'\bid="([^"]+)"', text)
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'href="#([^"]+)"', text)) <= set(ids)


def test_names_with_markup_quotes_and_templates_are_shown_as_they_are(text):
    seen = html5lib.parse(text, namespaceHTMLElements=False)
    titles = {element.text for element in seen.iter("h3")}
    for name in NASTY:
        assert f"{name}, board ladder" in titles
    assert "<script" not in text
    assert "Tarn Hollow <b>Pocket</b> Trials" in {element.text for element in seen.iter("h1")}


def test_a_protest_stands_beside_the_verdict_and_not_in_its_place(text):
    assert "cleared, called by R. Brook" in text
    assert "Under protest." in text
    assert "claim by Brook: ramp at most 28°" in text


def test_the_history_of_revisions_is_told_in_words(text):
    assert "note: not given → wheel off the edge?" in text
    assert "claim: not given →" in text


def test_values_stand_with_uncertainty_interval_and_warnings(text):
    assert "30.00\N{NO-BREAK SPACE}±\N{NO-BREAK SPACE}0.28°" in text
    assert "29.72° to 30.28°" in text
    assert "the board bows by 1 mm" in text
    assert "0.081\N{NO-BREAK SPACE}±\N{NO-BREAK SPACE}0.012" in text
    assert "(0.5 to 5 Hz)" in text


def test_no_place_stands_without_its_test(standings):
    for cell in re.findall(r"<td[^>]*>(?:1st|2nd)</td>", standings):
        assert 'data-name="place over all tests"' in cell or 'data-name="place in this' in cell


def test_standings_say_how_sure_a_place_is(standings):
    told = standings.replace("\N{NO-BREAK SPACE}", " ")
    assert "1st with 90 %; 1st to 2nd with 95 %" in told
    assert "not separated from its set-up as entered" in standings
    assert "did not start on the board ladder" in standings


def test_location_and_sound_are_said_to_be_left_out(text):
    assert "Left out: the place of filming kept in clips and their sound." in text


def test_text_has_the_contrast_that_wcag_asks_for():
    for ink_name, paper in product(
        ("ink", "ink-soft", "accent", "warn"), ("paper", "paper-raised")
    ):
        assert contrast(colour(ink_name), colour(paper)) >= 4.5
        assert contrast(colour(ink_name), "#ffffff") >= 4.5  # on printed paper
    for line in (ink.BLUE, ink.VERMILLION, ink.BLACK):
        assert contrast(line, "#ffffff") >= 3


def test_contrast_is_that_of_the_published_examples():
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


def test_the_tokens_are_those_of_the_marking_page():
    assert "--paper: #f5f2ea;" in root_rule()
    assert (
        root_rule() in render(ReportPage("E", "", "", "", results_view(scored()), (), ())).decode()
    )


def test_an_event_without_attempts_says_so(tmp_path):
    make_event(tmp_path / "event", []).close()
    paths = report_of_event(tmp_path / "event")
    assert [path.name for path in paths.files] == ["report.html"]
    page = paths.page.read_text()
    assert "No attempt has been saved in this event yet." in page
    html5lib.HTMLParser(strict=True).parse(page)


def test_an_attempt_without_clip_or_reading_is_left_with_a_sentence(tmp_path):
    with make_event(tmp_path / "event", []) as event:
        event.save_attempt({"entry": "Wren", "test": "creep", "verdict": "void"}, by="Fell")
    paths = report_of_event(tmp_path / "event")
    sentence = "No clip belongs to this attempt, so there is no still."
    assert paths.left_out == {"a0001": [sentence]}
    assert sentence in paths.page.read_text()
    assert "This attempt has not been measured." in paths.page.read_text()
    assert "1 attempt lacks a picture or clip (a0001)" in paths.notes[-1]


def test_a_clip_that_is_gone_leaves_a_sentence_without_private_paths(tmp_path):
    with make_event(tmp_path / "event", ["Siskin"]):
        pass
    for clip in (tmp_path / "event" / "clips").iterdir():
        clip.unlink()
    page = report_of_event(tmp_path / "event", attempts=["a0001"]).page.read_text()
    assert "No still is shown: " in page
    assert str(tmp_path) not in page


def test_the_same_event_gives_the_same_page(drawn_event, tmp_path):
    pages = [
        report_of_event(drawn_event, out=tmp_path / name, attempts=["a0001"]).page.read_bytes()
        for name in ("one", "two")
    ]
    assert pages[0] == pages[1]


@pytest.mark.parametrize(
    ("value", "u95", "unit", "words"),
    [
        (45.0312, 0.1234, "°", "45.03 ± 0.12°"),
        (-0.0004, 0.012, "mm", "0.000 ± 0.012 mm"),
        (123.4, 34.0, "mm/s", "123 ± 34 mm/s"),
        (7.0, None, "", "7"),
        (20.123456, None, "mm/s", "20.12 mm/s"),
    ],
)
def test_numbers_are_rounded_by_their_uncertainty(value, u95, unit, words):
    assert measured(value, u95, unit) == words


def test_what_the_footage_cannot_resolve_is_no_number():
    assert Figure("ripple", None, 0.01).words == "below the noise floor"
    assert Figure("ripple", None, 0.01, 0.0, 0.02).interval == ""


def test_places_and_probabilities_in_words():
    assert [place_words(n) for n in (1, 2, 3, 11, 21, None)] == ["1st", "2nd", "3rd", "11th",
                                                                "21st", "–"]  # fmt: skip
    assert [percent(p) for p in (0, 0.001, 0.5, 0.999, 1)] == ["0 %", "under 1 %", "50 %",
                                                              "over 99 %", "100 %"]  # fmt: skip


def test_a_claim_is_told_in_words():
    claim = Claim(measure="tilt_deg", relation="at least", value=41.5, unit="deg")
    assert claim_words(claim) == "tilt at least 41.5°"
    assert claim_words(claim.model_copy(update={"measure": "stalls", "unit": ""})) == (
        "stalls at least 41.5"
    )


def test_file_names_are_plain_and_never_the_same():
    names = file_names(["Siskin", "siskin!", "../../etc/passwd", "CON", "\N{TRACTOR}", "é" * 300])
    assert list(names.values()) == ["siskin", "siskin-2", "etc-passwd", "entry-con", "entry",
                                    "e" * 40]  # fmt: skip


def test_what_changed_since_an_earlier_scoring_is_listed():
    results = replace(results_view(scored()), changes=["Siskin: place 2 before, 1 now."],
                      since="journal line 12")  # fmt: skip
    page = render(ReportPage("E", "", "", "", results, (), ())).decode()
    assert "What changed since journal line 12" in page
    assert "<li>Siskin: place 2 before, 1 now.</li>" in page
