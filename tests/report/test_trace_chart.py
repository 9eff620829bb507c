"""The chart of a crawl shows what was measured, in words, without colour, the same every time."""

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from clipmark.errors import FolderError, RecordError
from clipmark.evidence import chart_path, keep_trace, kept_trace
from clipmark.report import ink
from clipmark.report.trace_chart import draw_trace
from clipmark.report.trace_facts import gaps_in, jumps_in, stalls_in, wheels_in
from clipmark.report.trace_panels import with_gaps
from tests.report import trace_kit as kit

LETTERS = re.compile(r"<!-- (.*?) -->")


def words_of(tmp_path: Path, case: str, **changed: object) -> list[str]:
    """Every text in the chart of a case."""
    result, table = kit.CASES[case]()
    path = tmp_path / f"{case}.svg"
    draw_trace(result | changed, table, path)
    return LETTERS.findall(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("case", kit.CASES)
def test_every_kind_of_crawl_is_drawn_as_png_and_svg(tmp_path, case):
    result, table = kit.CASES[case]()
    draw_trace(result, table, tmp_path / "a.png")
    draw_trace(result, table, tmp_path / "a.SVG")
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG\r\n")
    assert b"<svg" in (tmp_path / "a.SVG").read_bytes()[:2000]
    assert sorted(item.name for item in tmp_path.iterdir()) == ["a.SVG", "a.png"]


@pytest.mark.parametrize("suffix", [pytest.param(".png", marks=pytest.mark.slow), ".svg"])
def test_the_same_reading_gives_the_same_bytes_whatever_the_reader_has_set(tmp_path, suffix):
    """In another process, at another time, with settings of the reader's own."""
    here = tmp_path / f"here{suffix}"
    draw_trace(*kit.down_held_reverse(), here)
    (tmp_path / "matplotlibrc").write_text("lines.linewidth: 9\nfont.size: 20\n")
    code = (
        "import sys; sys.path.insert(0, sys.argv[1]); import trace_kit as kit\n"
        "from clipmark.report.trace_chart import draw_trace\n"
        "draw_trace(*kit.down_held_reverse(), sys.argv[2])\n"
    )
    there = tmp_path / f"there{suffix}"
    ran = [sys.executable, "-c", code, str(Path(__file__).parent), str(there)]
    subprocess.run(ran, check=True, cwd=tmp_path, timeout=60)
    assert there.read_bytes() == here.read_bytes()


def test_phases_are_named_with_how_they_moved(tmp_path):
    words = words_of(tmp_path, "down-held-reverse")
    assert {"down", "held: wheels locked, sliding", "reverse: wheels spinning"} <= set(words)


def test_stalls_are_named_with_how_long_they_lasted(tmp_path):
    assert {"stall 0.48 s", "stall 0.42 s", "stall"} <= set(words_of(tmp_path, "stalls"))


def test_gaps_are_named_with_their_reason(tmp_path):
    assert {"gap: the patch is covered", "gap: no frames"} <= set(words_of(tmp_path, "gaps"))


def test_axes_name_what_they_show_and_their_unit(tmp_path):
    words = words_of(tmp_path, "gaps")
    assert "time as recorded, s from the first shown frame" in words
    for label in ("position along the way, mm", "speed, mm/s", "turning, deg/s"):
        assert label in words


def test_wheels_of_known_diameter_are_drawn_as_the_speed_of_their_surface(tmp_path):
    words = words_of(tmp_path, "creep")
    assert {"wheel 1, its surface", "wheel 2, its surface"} <= set(words)
    assert "turning, deg/s" not in words


def test_smoothness_is_told_with_band_window_and_noise_floor(tmp_path):
    foot = " ".join(words_of(tmp_path, "creep")).replace("\N{NO-BREAK SPACE}", " ")
    assert "ripple 0.081 ± 0.012 (0.5-5 Hz)" in foot
    assert "speed filter 0.25 s" in foot
    assert "noise floor of speed (standard) 0.31 mm/s" in foot
    assert "grade 3" in foot


def test_what_cannot_be_told_is_said_so(tmp_path):
    foot = " ".join(words_of(tmp_path, "below-floor")).replace("\N{NO-BREAK SPACE}", " ")
    assert "(0.5-5 Hz, below the noise floor)" in foot
    assert "stalls not told" in foot


def test_a_reading_of_an_older_version_is_drawn_with_what_it_holds(tmp_path):
    _, table = kit.creep()
    draw_trace({"frame": 0, "warnings": []}, table[["t_s", "s_mm", "v_mm_s", "u_v_mm_s"]],
               tmp_path / "old.svg")  # fmt: skip
    assert "body" in LETTERS.findall((tmp_path / "old.svg").read_text())


def test_lines_break_where_frames_are_missing():
    times = np.array([0.0, 0.1, 0.2, 1.0, 1.1])
    across, values = with_gaps(times, np.arange(5.0))
    np.testing.assert_array_equal(np.isnan(across), [0, 0, 0, 1, 0, 0])
    np.testing.assert_array_equal(np.isnan(values), [0, 0, 0, 1, 0, 0])


def test_a_frame_dropped_now_and_then_is_no_gap():
    """Phones drop single frames; a line over one step of double length hides nothing."""
    times = np.delete(np.arange(60) / 30.0, [10, 30])
    assert len(with_gaps(times)[0]) == 58


def test_gaps_begin_and_end_where_places_do():
    _, table = kit.gaps()
    hidden, missing = gaps_in(table)
    assert (hidden.why, missing.why) == ("the patch is covered", "no frames")
    assert (hidden.from_s, hidden.until_s) == pytest.approx((3.0, 4.0), abs=0.02)
    assert (missing.from_s, missing.until_s) == pytest.approx((6.0, 6.7), abs=0.02)


def test_a_commanded_stop_is_no_stall():
    stop = {"t_s": 1.0, "dwell_s": 0.5, "commanded": True}
    assert stalls_in({"stalls": [stop]}) == []


def test_start_marks_stand_at_the_peak_and_the_speed_it_is_compared_with():
    result, table = kit.creep()
    times, speed = table["t_s"].to_numpy(), table["v_mm_s"].to_numpy()
    (jump,) = jumps_in(result, times, speed)
    assert jump.from_s == pytest.approx(0.8)
    assert jump.peak_mm_s == pytest.approx(30, abs=1)
    assert jump.steady_mm_s == pytest.approx(jump.peak_mm_s / 1.5)


def test_a_wheel_of_unknown_diameter_is_drawn_as_it_turns():
    _, table = kit.creep()
    wheel = wheels_in(table)[0]
    assert (wheel.number, wheel.unit) == (1, "mm/s")
    np.testing.assert_array_equal(wheel.values, table["wheel1_surface_mm_s"])
    table["wheel1_surface_mm_s"] = np.nan
    assert [wheel.unit for wheel in wheels_in(table)] == ["deg/s", "mm/s"]
    table["wheel1_deg_s"] = np.nan
    assert [wheel.number for wheel in wheels_in(table)] == [2]


def luminance(colour: str) -> float:
    """Relative luminance, W3C WCAG 2.2."""
    channels = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return float(np.dot([0.2126, 0.7152, 0.0722], linear))


def contrast(colour: str) -> float:
    return 1.05 / (luminance(colour) + 0.05)


def test_lines_and_letters_have_enough_contrast_on_white():
    """WCAG 2.2: 3:1 for lines (1.4.11), 4.5:1 for text (1.4.3). Blue on white is 5.185 there."""
    assert contrast(ink.BLUE) == pytest.approx(5.185, abs=5e-4)
    assert all(contrast(colour) >= 3 for colour, _ in ink.WHEELS)
    assert contrast(ink.BODY) >= 3
    assert min(contrast(ink.QUIET), contrast(ink.BLACK)) >= 4.5


def test_nothing_is_told_by_colour_alone():
    """Each wheel has dashes of its own; the two bands differ in grey by more than a third."""
    assert len({dashes for _, dashes in ink.WHEELS}) == len(ink.WHEELS)
    assert luminance(ink.FLOOR) < 0.7 * luminance(ink.BODY_BAND)


@pytest.mark.parametrize("name", ["trace.pdf", "trace", "trace.svg.txt"])
def test_another_kind_of_file_is_refused(tmp_path, name):
    with pytest.raises(FolderError) as refused:
        draw_trace(*kit.creep(), tmp_path / name)
    assert str(refused.value) == (
        f"the chart '{name}' cannot be drawn: its name must end in .png or .svg; give it one of "
        "these"
    )
    assert not list(tmp_path.iterdir())


def test_a_table_that_is_no_trace_is_refused(tmp_path):
    result, table = kit.creep()
    with pytest.raises(RecordError) as refused:
        draw_trace(result, table.drop(columns="v_mm_s"), tmp_path / "a.svg")
    assert str(refused.value) == (
        "the trace for a.svg has no column v_mm_s, so there is nothing to draw; measure the crawl "
        "again"
    )
    with pytest.raises(RecordError, match="is empty"):
        draw_trace(result, table.iloc[:0], tmp_path / "a.svg")


def test_a_chart_is_written_whole_or_not_at_all(tmp_path):
    (tmp_path / "old.svg").write_text("as it was")
    place = tmp_path / "nowhere" / "new.svg"
    with pytest.raises(FolderError, match=r"cannot write the chart: it is not there"):
        draw_trace(*kit.creep(), place)
    folder = tmp_path / "taken.svg"
    folder.mkdir()
    with pytest.raises(FolderError, match=r"taken\.svg: cannot write the chart"):
        draw_trace(*kit.creep(), folder)
    assert sorted(item.name for item in tmp_path.iterdir()) == ["old.svg", "taken.svg"]


def test_a_saved_crawl_keeps_its_chart_beside_its_trace(tmp_path):
    result, table = kit.creep()
    place = keep_trace(tmp_path, "a0001", result, table)
    chart = chart_path(tmp_path, "a0001", result)
    assert chart.with_suffix(".csv") == place
    assert chart.is_file()
    assert kept_trace(tmp_path, "a0001", result) is not None


def test_a_trace_is_kept_even_where_its_chart_cannot_be(tmp_path):
    result, table = kit.creep()
    chart_path(tmp_path, "a0001", result).mkdir(parents=True)
    assert keep_trace(tmp_path, "a0001", result, table) is not None
