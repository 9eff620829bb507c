"""What a side tilt and an attempt at the board leave behind is drawn, and told without colour."""

import re

import pytest

from clipmark.errors import FolderError, RecordError
from clipmark.evidence import chart_path, keep_trace, kept_chart, kept_trace, trace_path
from clipmark.record.folder import EventFolder
from clipmark.report.annotated import Annotator, curve_of
from clipmark.report.card_words import card_words
from clipmark.report.chart_marks import DASHES
from clipmark.report.climb_chart import draw_climb
from clipmark.report.figures import reading_facts, reading_figures
from clipmark.report.followed import CURVES, lines_in, points_in, words_in
from clipmark.report.pictures import Footage
from clipmark.report.story import stories_of
from clipmark.report.tilt_chart import draw_tilt
from clipmark.reporting import report_of_event
from tests.report import followed_kit as kit
from tests.report.report_kit import SHEET, write_clip

LETTERS = re.compile(r"<!-- (.*?) -->")
TESTS = SHEET.replace(
    '[[entry]]\nname = "Siskin"',
    '[[test]]\nid = "side tilt"\nkind = "reading"\nmeasure = "tilt_deg"\n'
    '[[entry]]\nname = "Siskin"',
)


def words(path) -> str:
    told = " ".join(LETTERS.findall(path.read_text(encoding="utf-8")))
    return told.replace("\N{NO-BREAK SPACE}", " ")


@pytest.fixture(scope="module")
def tilt_words(tmp_path_factory):
    path = tmp_path_factory.mktemp("tilt") / "tilt.svg"
    draw_tilt(*kit.tilt(), path)
    return words(path)


@pytest.fixture(scope="module")
def climb_words(tmp_path_factory):
    path = tmp_path_factory.mktemp("climb") / "climb.svg"
    draw_climb(*kit.climb(), path)
    return words(path)


def test_every_event_of_a_tilt_stands_with_its_angle_instant_and_rate(tilt_words):
    assert "1  both uphill wheels off, first motion, by the unstable-turning model: " in tilt_words
    assert "42.40 ± 0.26° at 0.400 ± 0.020 s, frame 11" in tilt_words
    assert "2  both uphill wheels off, gap of 1 mm under the uphill tyre: 42.80" in tilt_words
    assert "3  topple, extra turn of 15° against the platform: 43.90" in tilt_words
    assert "slide: not reached, up to a platform angle of 44.00°" in tilt_words


def test_a_tilt_tells_the_side_and_the_centre_of_gravity(tilt_words):
    assert "Side tilt, right side low, frames 0 to 19" in tilt_words
    assert "centre of gravity, height 59.90 ± 0.70 mm" in tilt_words
    assert "static stability factor 0.900 ± 0.010" in tilt_words


def test_axes_of_a_tilt_name_what_they_show_and_their_unit(tilt_words):
    axes = ("angle from level, °", "roll to the platform, °", "gap under the tyre, mm")
    for name in (*axes, "gap that counts, 1 mm", "time as recorded, s from the first shown frame"):
        assert name in tilt_words


def test_verticals_are_told_apart_without_colour():
    assert len(set(DASHES)) == len(DASHES) == 4


def test_a_tilt_without_a_level_line_is_drawn_as_it_turned(tmp_path):
    result, table = kit.tilt()
    for event in result["events"]:
        event["tilt_deg"] = None
    result["highest_tilt_deg"] = None
    draw_tilt(result, table, tmp_path / "a.svg")
    told = words(tmp_path / "a.svg")
    assert "turned since the first frame, °" in told
    assert "turned by 2.40° since the first frame" in told


def test_a_climb_tells_what_happened_when_and_what_ended_it(climb_words):
    assert "Attempt at the board, frames 0 to 19" in climb_words
    assert "1  the deciding instant, 0.40 s, frame 11." in climb_words
    assert "2  slid back by 15.0 mm." in climb_words
    assert "Proposed, not the verdict: slid back" in climb_words
    assert "ended by grip: the wheels slipped" in climb_words
    assert "progress 28.00 ± 0.60 mm (35 % of the way to the finish)" in climb_words
    assert "38.00 ± 0.60° at the deciding instant" in climb_words


def test_panels_of_a_climb_name_what_they_show(climb_words):
    for name in ("along the board, mm", "speed, mm/s", "slip", "chassis to ramp, °", "board, °",
                 "finish line", "front counts as off: 6° over the usual"):  # fmt: skip
        assert name in climb_words


@pytest.fixture(scope="module")
def descent(tmp_path_factory):
    """A descent without a scale, called by a rule sheet."""
    call = {"call": "not reversed", "why": "by test 'descent', the body did not move back"}
    result, table = kit.climb(mode="descend", reverse=kit.FACTS, reverse_call=call)
    path = tmp_path_factory.mktemp("descent") / "descent.svg"
    draw_climb(result, table.rename(columns=lambda name: name.replace("_mm", "_units")), path)
    return result, words(path)


def test_a_clip_without_a_scale_has_no_unit(descent):
    assert "along the board, without a scale" in descent[1]
    assert "speed, without a scale" in descent[1]


def test_a_descent_shows_the_facts_of_a_reverse_and_the_call(descent):
    result, told = descent
    assert "Down the board, stop, back up" in told
    assert "wheel turned back: yes, body moved back: no, driven: no" in told
    assert "By the rule sheet: not reversed: by test 'descent', the body did not move back." in told
    facts = dict(reading_facts("climb", result))
    assert facts["reverse, by the rule sheet"].startswith("not reversed: ")


@pytest.mark.parametrize("draw", [draw_tilt, draw_climb])
def test_what_is_no_trace_is_refused_in_a_sentence(tmp_path, draw):
    result, table = kit.tilt()
    with pytest.raises(RecordError, match="so there is nothing to draw; measure the"):
        draw(result, table.drop(columns=["platform_deg"]), tmp_path / "a.svg")
    with pytest.raises(FolderError, match=r"must end in \.png or \.svg"):
        draw(result, table, tmp_path / "a.pdf")
    assert not list(tmp_path.iterdir())


def test_figures_of_a_tilt_name_each_event_with_its_interval():
    result, _ = kit.tilt()
    told = {
        figure.name: (figure.words, figure.interval) for figure in reading_figures("tilt", result)
    }
    gap = told["both uphill wheels off, gap of 1 mm under the uphill tyre"]
    assert gap == ("42.80 ± 0.25°", "42.55° to 43.05°")
    assert told["height of the centre of gravity"][0] == "59.90 ± 0.70 mm"


def test_lines_and_figures_of_a_frame_come_from_its_row_of_the_trace():
    tilted, climbed = kit.tilt()[1].iloc[3], kit.climb()[1].iloc[3]
    assert [line.role for line in lines_in(tilted)] == ["platform"]
    assert lines_in(tilted)[0].measured == (100.0, 300.0, 500.0, 117.0)
    assert points_in(tilted) == [(300.0, 150.0)]
    assert [line.role for line in lines_in(climbed)] == ["ramp", "hubs"]
    assert lines_in(climbed)[1].measured == (203.0, 230.0, 303.0, 180.0)
    assert words_in(tilted, "tilt")[0] == "platform 40.60°"
    assert words_in(climbed, "climb")[-1] == "chassis to ramp 2.0°"


def test_a_kept_trace_is_of_one_reading_and_brings_its_chart_back(tmp_path):
    result, table = kit.tilt()
    place = keep_trace(tmp_path, "a0001", result, table, measure="tilt", chart=False)
    assert place == trace_path(tmp_path, "a0001", result, "tilt")
    assert place.name.startswith("tilt-")
    assert kept_trace(tmp_path, "a0001", result | {"low_side": "left"}, "tilt") is None
    drawn = kept_chart(tmp_path, "a0001", result, "tilt")
    assert drawn == chart_path(tmp_path, "a0001", result, "tilt").read_bytes()
    assert kept_chart(tmp_path, "a0002", result, "tilt") is None


def test_what_a_rule_sheet_says_of_a_descent_leaves_its_trace_where_it_is(tmp_path):
    result, _ = kit.climb(mode="descend")
    called = result | {"reverse_call": {"call": "reversed"}}
    assert trace_path(tmp_path, "a", result, "climb") == trace_path(tmp_path, "a", called, "climb")


@pytest.fixture(scope="module")
def reported(tmp_path_factory):
    """A tilt and a climb of one drawn clip, reported; the trace of a second tilt is gone."""
    folder = tmp_path_factory.mktemp("followed") / "event"
    with EventFolder.create(folder) as event:
        (folder / "event.toml").write_text(TESTS, encoding="utf-8")
        write_clip(folder.parent / "source.mp4")
        clip = event.add_clip(folder.parent / "source.mp4")
        for test, measure, made in (
            ("side tilt", "tilt", kit.tilt(clip.sha256)),
            ("board ladder", "climb", kit.climb(clip.sha256)),
            ("side tilt", "tilt", kit.tilt(clip.sha256, seed=2)),
        ):
            result, table = made
            line = event.save_attempt(
                {"entry": "Siskin", "test": test, "setup": "as entered", "clip": clip,
                 "step_deg": 30.0 if measure == "climb" else None, "try_no": 1,
                 "readings": [{"measure": measure, "result": result}]},
                by="Marsh",
            )  # fmt: skip
            if line.id != "a0003":
                keep_trace(folder, line.id, result, table, measure=measure)
        stories = {story.id: story for story in stories_of(event)}
    return stories, report_of_event(folder)


def test_the_report_holds_the_charts_of_what_was_followed(reported):
    _, paths = reported
    charts = {path.name for path in paths.files if path.parent.name == "charts"}
    assert {"a0001-tilt.svg", "a0002-climb.svg"} <= charts
    assert "a0003-tilt.svg" not in charts
    page = paths.page.read_text(encoding="utf-8")
    assert page.count('<figure class="chart reading">') == 2
    assert "Chart of the side tilt of Siskin, side tilt, try 1" in page


def test_a_still_shows_the_deciding_instant(reported):
    """The gap that can be seen of a tilt; the end of the way up of a climb that slid back."""
    stories, paths = reported
    assert stories["a0001"].frame == 13
    assert stories["a0002"].frame == 11
    page = paths.page.read_text(encoding="utf-8")
    assert "Frame 13 of source.mp4, both uphill wheels off, gap of 1 mm under the" in page
    assert "Frame 11 of source.mp4, the deciding instant." in page


def test_a_trace_that_is_gone_leaves_a_sentence(reported):
    _, paths = reported
    assert paths.left_out["a0003"] == [
        "The trace of this side tilt is not kept any more, so neither its chart nor the lines as "
        "they were followed are shown; a report made with --measure-again has them back."
    ]


def test_a_card_names_all_four_events_and_the_centre_of_gravity(reported):
    stories, _ = reported
    tilted, balance = card_words(stories["a0001"])
    assert tilted == (
        "try 1: right side low: both uphill wheels off 42.40 ± 0.26° (first motion) and "
        "42.80 ± 0.25° (gap of 1 mm); topple 43.90 ± 0.25° (extra turn of 15° against the "
        "platform); slide not reached"
    )
    assert balance.startswith("height of the centre of gravity 59.90 ± 0.70 mm; its offset")


def test_a_card_says_what_a_climb_showed(reported):
    stories, _ = reported
    seen, figures = card_words(stories["a0002"])
    assert seen.startswith("try 1: seen: slid back: its way up ended at 0.40 s; ended by grip")
    assert "progress 28.00 ± 0.60 mm" in figures
    assert "the board stood still; 38.00 ± 0.60° at the deciding instant" in figures


def test_an_annotated_clip_says_and_draws_what_was_followed_in_each_frame(reported):
    """The platform's line goes along from frame to frame; the level line stays where it is."""
    stories, paths = reported
    story = stories["a0001"]
    footage = Footage(paths.folder.parent)
    clip = footage.clip(story.attempt)
    _, table = kit.tilt()
    drawn = Annotator(story, clip, table, footage, (640, 360), 16.0)
    assert drawn.now(3).startswith("0.100 s; frame 3; platform 40.60\N{DEGREE SIGN}; chassis 42.61")
    bare = Annotator(story, clip, None, footage, (640, 360), 16.0)
    here, there = drawn.picture(3), bare.picture(3)
    changed = (here.astype(int) - there.astype(int)).any(axis=2)
    x, y = 400, round(300 + (117 - 300) * 300 / 400)
    assert changed[y - 2 : y + 3, x].any()
    assert not changed[:60, :90].any()
    footage.close()


@pytest.mark.parametrize("measure", ["tilt", "climb"])
def test_the_strip_below_shows_angle_or_speed(measure):
    _, table = kit.tilt() if measure == "tilt" else kit.climb()
    found = curve_of(table, CURVES[measure])
    assert found is not None
    assert (found[CURVES[measure].value] >= 0).all() == (measure == "tilt")
    assert curve_of(table.drop(columns=[CURVES[measure].value]), CURVES[measure]) is None
