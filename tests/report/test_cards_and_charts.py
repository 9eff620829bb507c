"""Cards and charts: sizes, what they say, and that long names move nothing."""

import xml.etree.ElementTree as ElementTree

import cv2
import numpy as np
import pytest

from clipmark.report.canvas import Canvas, shortened, wrapped
from clipmark.report.cards import LYING, UPRIGHT, CardFacts, cards_of
from clipmark.report.charts import MOST_ROWS, setup_charts, test_chart, totals_charts
from clipmark.report.from_scoring import results_view
from clipmark.report.lettering import mask_of, plain_letters, shown, width_of
from clipmark.report.setups import setup_differences
from clipmark.report.tokens import bgr, colour
from clipmark.report.views import Results, TestRow, TestView
from tests.report.report_kit import NASTY
from tests.report.scored_kit import attempt, scored

test_chart.__test__ = False  # type: ignore[attr-defined]
FACTS = CardFacts("Event", "today", {"r1": "driver K. Fell"}, {"r1": ["creep: verdict failed"]}, "")


def edge_of(picture: np.ndarray, paper: str, margin: int) -> np.ndarray:
    """Pixels of the right and lower margin that are not paper."""
    strips = [picture[:, -margin:].reshape(-1, 3), picture[-margin // 2 :, 20:].reshape(-1, 3)]
    return (np.concatenate(strips) != np.array(bgr(paper))).any(axis=1)


@pytest.mark.parametrize("size", [LYING, UPRIGHT])
@pytest.mark.parametrize("entry", ["Siskin", *NASTY])
def test_a_card_has_its_size_and_keeps_its_margins_whatever_the_name(size, entry):
    for card in cards_of("r1", entry, results_view(scored()), FACTS, size):
        assert card.pixels.shape == (size[1], size[0], 3)
        assert not edge_of(card.pixels, colour("paper"), 30).any()


def test_what_does_not_fit_goes_onto_a_further_card():
    rows = [TestRow("r1", "Siskin", 1, "35° cleared", "25 points")]
    tests = [TestView(f"test {n}", f"test {n}", "", "3 tries per step", rows) for n in range(12)]
    cards = cards_of("r1", "Siskin", Results(tests=tests), FACTS, LYING)
    assert len(cards) > 1
    for card in cards:
        assert not edge_of(card.pixels, colour("paper"), 30).any()


def test_a_card_of_nobody_scored_says_so_and_is_a_png():
    card = cards_of("x", "Wren", Results(), FACTS)[0]
    read = cv2.imdecode(np.frombuffer(card.png(), np.uint8), cv2.IMREAD_COLOR)
    assert (read == card.pixels).all()


def test_letters_that_the_type_lacks_keep_their_place():
    assert plain_letters("a\N{TRACTOR}b") == "a\N{WHITE VERTICAL RECTANGLE}b"
    assert shown(" a\tb\N{ZERO WIDTH JOINER}\nc ") == "a b c"


def test_letters_are_drawn_where_their_width_says():
    mask, baseline = mask_of("Höhe $x$", 40)
    inked = np.flatnonzero(mask.any(axis=0))
    assert 0 <= inked[0] < 6
    assert inked[-1] < width_of("Höhe $x$", 40) + 2
    assert 0 < baseline < mask.shape[0]


def test_text_is_cut_and_put_into_lines_by_its_width():
    assert width_of(shortened("W" * 200, 30, 300), 30) <= 300
    lines = wrapped("one two three " + "W" * 90, 30, 300)
    assert all(width_of(line, 30) <= 300 for line in lines)
    assert "".join(lines).replace(" ", "") == "onetwothree" + "W" * 90
    assert wrapped("a b c d e f", 30, 40, 2)[-1].endswith("…")


def test_text_off_the_sheet_is_cut_and_nothing_fails():
    canvas = Canvas(50, 20, "#ffffff")
    canvas.text(-30, 5, "Siskin", 30, "#000000", halo="#ffffff")
    canvas.text(500, 500, "Siskin", 30, "#000000")
    canvas.line(-1e12, 0, 1e12, 10, "#000000")
    assert canvas.pixels.shape == (20, 50, 3)


def test_a_chart_shows_intervals_bounds_and_bare_values_and_says_so():
    chart = test_chart(results_view(scored()).tests[0])[0]
    assert "44.9, 44.1 to 46.2" in chart.told
    assert "Wren at least 40" in chart.told
    assert ElementTree.fromstring(chart.svg).tag.endswith("svg")


def test_the_same_rows_give_the_same_chart():
    view = results_view(scored()).tests[1]
    assert test_chart(view) == test_chart(view)


def test_many_entries_go_onto_several_charts_with_one_axis():
    rows = [TestRow(f"r{n}", f"{n} {NASTY[n % 4]}", n, "", value=40 - 0.1 * n, low=39 - 0.1 * n,
                    high=41 - 0.1 * n) for n in range(MOST_ROWS + 2)]  # fmt: skip
    charts = test_chart(TestView("x", "x", "ramp, °", "", rows))
    assert len(charts) == 2
    widths = {int.from_bytes(chart.png[16:20], "big") for chart in charts}
    assert len(widths) == 1


def test_nothing_to_draw_is_no_chart():
    assert not test_chart(TestView("x", "x", "ramp, °", "", [TestRow("r", "Wren", 1, "")]))
    assert not totals_charts(Results())
    assert not setup_charts([])


def test_set_ups_of_one_entry_are_compared_in_the_order_in_which_they_ran():
    tries = tuple(
        attempt(number, setup, "creep", value, 0.004)
        for number, (setup, value) in enumerate(
            [("as entered", 0.12), ("as entered", 0.13), ("soft tyres", 0.09),
             ("soft tyres", 0.08)], 1)
    )  # fmt: skip
    found = setup_differences(scored(tries))
    assert [(each.before, each.after, each.test) for each in found] == [
        ("as entered", "soft tyres", "creep")
    ]
    assert found[0].difference == pytest.approx(-0.04)
    assert found[0].low < -0.04 < found[0].high


def test_the_interval_of_a_difference_is_welchs_where_measuring_is_exact():
    """R. A. Fisher's way of old: t of Welch and Satterthwaite, checked with SciPy."""
    from scipy import stats

    before, after = [41.2, 42.9, 40.8, 43.1], [44.0, 44.6, 43.7]
    tries = tuple(
        attempt(number, setup, "creep", value, 1e-9)
        for number, (setup, value) in enumerate(
            [("as entered", v) for v in before] + [("soft tyres", v) for v in after]
        )
    )
    found = setup_differences(scored(tries))[0]
    told = stats.ttest_ind(after, before, equal_var=False).confidence_interval(0.95)
    assert (found.low, found.high) == pytest.approx((told.low, told.high), rel=1e-6)


def test_one_try_each_is_said_to_lack_the_spread():
    tries = (attempt(1, "as entered", "creep", 0.13, 0.004),
             attempt(2, "soft tyres", "creep", 0.09, 0.003))  # fmt: skip
    found = setup_differences(scored(tries))[0]
    assert found.high - found.low == pytest.approx(2 * 0.005, rel=1e-6)
    assert "the spread from try to try is not in it" in found.verdict


def test_climbing_limits_are_compared_by_the_distances_of_their_ends():
    tries = (attempt(1, "as entered", "board ladder", 42, 0.1),
             attempt(2, "soft tyres", "board ladder", 44, 0.1))  # fmt: skip
    found = setup_differences(scored(tries))[0]
    assert found.difference == pytest.approx(44.9 - 42.8)
    assert found.low == pytest.approx(2.1 - np.hypot(44.9 - 44.1, 43.5 - 42.8))
    assert found.high == pytest.approx(2.1 + np.hypot(46.2 - 44.9, 42.8 - 41.9))
    assert found.verdict.startswith("more than chance")
