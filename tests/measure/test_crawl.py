"""A crawl read from rendered clips with known truth: the bars, and what a reading carries."""

import json
import math
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import clipmark
from clipmark.errors import FolderError
from clipmark.sample import Board, Camera, Motion, RollBack, Scene, Stop, Timing, Truck, render_clip

MEDIA = Path(__file__).parents[2] / "sample_media"
CLIPS = ("dipper-creep", "siskin-stall", "whinfell-creep-varying")


def load(folder: str, name: str) -> dict:
    return json.loads((MEDIA / folder / f"{name}.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def read():
    """Readings from the committed marks, which are as rough as a hurried operator's."""
    kept = {}

    def reading(name, **changes):
        key = (name, repr(sorted(changes.items())))
        if key not in kept:
            marks = load("marks", name)
            how = {k: marks[k] for k in ("patch", "travel", "scale", "scale_mm") if k in marks}
            if "sheet" in marks:
                how |= {"sheet": marks["sheet"], "sheet_size": tuple(marks["sheet_size"])}
                how |= {"lens": MEDIA / "lenses" / Path(marks["lens"]).name}
            if "square_within" in marks:
                how["square_within_deg"] = marks["square_within"]
            how |= {"span": tuple(marks["span"]), **changes}
            with clipmark.open_clip(MEDIA / f"{name}.mp4") as clip:
                kept[key] = clipmark.measure_crawl(clip, marks["frame"], **how)
        return kept[key]

    return reading


def exact_scale(name) -> dict:
    """The scale mark where it truly is, so that following alone is tested."""
    scale = load("truth", name)["scale"]
    return {"scale": scale["line_px"], "scale_mm": scale["length_mm"], "scale_u_px": 0.0}


def travel_error_mm(reading, name):
    true = np.array(load("truth", name)["frames"]["s_mm"])[reading.table.frame]
    off = reading.table.s_mm.to_numpy() - true
    return off - np.nanmean(off)


@pytest.mark.slow
def test_travel_from_a_tripod_is_right_to_0_08_px(read):
    """Root mean square over the clip, the scale mark where it truly is."""
    scale = load("truth", "siskin-stall")["scale"]
    px_per_mm = math.dist(*np.reshape(scale["line_px"], (2, 2))) / scale["length_mm"]
    off = travel_error_mm(read("siskin-stall", **exact_scale("siskin-stall")), "siskin-stall")
    assert np.sqrt(np.mean(off**2)) * px_per_mm < 0.08


@pytest.mark.slow
def test_travel_from_a_held_camera_is_right_to_0_3_mm(read):
    """Variable rate, rolling shutter, 0.7 px of shake; the view is only promised, so part of the
    error is its scale."""
    name = "whinfell-creep-varying"
    off = travel_error_mm(read(name, **exact_scale(name)), name)
    assert np.sqrt(np.mean(off**2)) < 0.3
    assert read(name).camera == "moving"


@pytest.mark.parametrize("name", ["siskin-stall", "whinfell-creep-varying"])
def test_mean_speed_is_right_to_half_a_percent_where_the_scale_is_exact(read, name):
    reading = read(name, **exact_scale(name))
    true = load("truth", name)["motion"]["mean_speed_mm_s"]
    assert reading.mean_speed_mm_s == pytest.approx(true, rel=0.005)


@pytest.mark.parametrize("name", CLIPS)
def test_stated_interval_of_the_mean_speed_holds_the_truth(read, name):
    """Rough marks, three different views: sheet with lens, promise with scale mark."""
    result = read(name).to_dict()
    true = load("truth", name)["motion"]["mean_speed_mm_s"]
    assert result["mean_speed_low95_mm_s"] < true < result["mean_speed_high95_mm_s"]


def test_every_stall_is_found_and_none_invented_edges_within_40_ms(read):
    for name in CLIPS:
        true = load("truth", name)["motion"]["stalls"]
        found = read(name).stalls
        assert len(found) == len(true)
        for stall, truth in zip(found, true, strict=True):
            assert abs(stall["t_s"] - truth["start_s"]) < 0.040
            assert abs(stall["t_s"] + stall["dwell_s"] - truth["end_s"]) < 0.040
            assert abs(stall["s_mm"] - truth["s_mm"]) < 1.0
            assert 0 < stall["dwell_u95_s"] < 0.05
            assert stall["commanded"] is False


def test_ripple_interval_holds_the_true_ripple(read):
    result = read("dipper-creep").to_dict()
    assert result["ripple_band_hz"] == [0.5, 5.0]
    assert result["ripple_low95"] < load("truth", "dipper-creep")["motion"]["ripple"]
    assert result["ripple_high95"] > load("truth", "dipper-creep")["motion"]["ripple"]
    assert result["ripple_u95"] < 0.01
    assert result["ripple_below_noise_floor"] is False


def test_stated_standard_uncertainties_are_as_large_as_the_errors(read):
    """Travel within a factor of 1.6 of its stated uncertainty, speed within 1.5, where the truck
    creeps steadily; not more than three times too large either."""
    reading = read("dipper-creep")
    table, truth = reading.table, load("truth", "dipper-creep")["frames"]
    off = travel_error_mm(reading, "dipper-creep")
    ratio = np.sqrt(np.mean(off**2) / np.mean(table.u_s_mm**2))
    assert 1 / 3 < ratio < 1.6
    z = (table.v_mm_s - truth["speed_mm_s"]) / table.u_v_mm_s
    assert 1 / 3 < np.sqrt(np.mean(z**2)) < 1.5


def test_every_value_carries_its_interval_and_unit_last(read):
    result = read("dipper-creep").to_dict()
    for name in ("duration_{}s", "distance_{}mm", "mean_speed_{}mm_s", "slowest_speed_{}mm_s",
                 "ripple{}", "rollback_{}mm"):  # fmt: skip

        def at(part, name=name):
            return result[name.format(f"_{part}" if name == "ripple{}" else f"{part}_")]

        plain = result[name.format("")]
        assert at("low95") <= plain <= at("high95")
        assert at("u95") == pytest.approx((at("high95") - at("low95")) / 2)


def test_the_reading_says_where_it_comes_from(read):
    reading, truth = read("dipper-creep"), load("truth", "dipper-creep")
    result = reading.to_dict()
    json.dumps(result, allow_nan=False)
    assert result["clip_sha256"] == truth["clip_sha256"]
    assert (result["frame"], result["t_s"]) == (0, 0.0)
    assert (result["first_frame"], result["last_frame"]) == (0, truth["frame_count"] - 1)
    with clipmark.open_clip(MEDIA / "dipper-creep.mp4") as clip:
        assert result["fingerprint"] == clip.frame(0).fingerprint
        assert result["last_fingerprint"] == clip.frame(truth["frame_count"] - 1).fingerprint
    rows = result["budget"]["mean_speed_mm_s"]
    assert [row["u_mm_s"] for row in rows] == sorted((r["u_mm_s"] for r in rows), reverse=True)
    sources = {row["source"] for row in rows}
    assert {"following the body", "camera shake", "time stamps", "sheet size"} <= sources


def test_what_only_wheels_starts_and_stops_tell_is_null_without_them(read):
    """An even creep through the whole span, no wheel marked."""
    result = read("dipper-creep").to_dict()
    for name in ("ripple_orders", "start_jump", "start_delay_s", "slip", "sparc", "ldlj"):
        assert result[name] is None
    assert result["wheels"] == []
    assert result["moved"] is True
    assert [phase["phase"] for phase in result["phases"]] == ["up"]


def test_the_same_clip_gives_the_same_numbers(read):
    """To the last digit, threads or not."""
    first = read("siskin-stall").to_dict()
    again = read("siskin-stall", hold_s=2.0).to_dict()
    assert first == again


def test_the_trace_is_written_with_its_columns_and_reads_back(read, tmp_path):
    reading = read("siskin-stall")
    reading.write_trace(tmp_path / "trace.csv")
    raw = (tmp_path / "trace.csv").read_bytes()
    assert raw.startswith(b"t_s,s_mm,u_s_mm,v_mm_s,u_v_mm_s,frame,gap\r\n")
    back = pd.read_csv(tmp_path / "trace.csv", keep_default_na=True)
    np.testing.assert_allclose(back.s_mm, reading.table.s_mm, atol=1e-5)
    assert list(back.frame) == list(reading.table.frame)
    assert [path.name for path in tmp_path.iterdir()] == ["trace.csv"]


def test_a_trace_that_cannot_be_written_is_refused_and_leaves_nothing(read, tmp_path):
    target = tmp_path / "no such folder" / "trace.csv"
    with pytest.raises(FolderError, match=r"^the trace trace\.csv cannot be written to .*; choose"):
        read("siskin-stall").write_trace(target)
    assert not list(tmp_path.iterdir())


@pytest.mark.slow
def test_a_span_without_a_steady_stretch_has_no_slowest_speed_and_says_so(read):
    reading = read("siskin-stall")
    assert reading.slowest_speed_mm_s is None
    assert (
        "No stretch of 2 s without a stall or a gap lies in the span, so no slowest speed is "
        "given; give a longer span or a shorter hold time." in reading.warnings
    )
    assert read("siskin-stall", hold_s=0.5).slowest_speed_mm_s > 20


def test_progress_is_told_frame_by_frame():
    calls = []
    marks = load("marks", "siskin-stall")
    with clipmark.open_clip(MEDIA / "siskin-stall.mp4") as clip:
        clipmark.measure_crawl(
            clip,
            10,
            patch=marks["patch"],
            span=(5, 40),
            scale=marks["scale"],
            scale_mm=marks["scale_mm"],
            progress=lambda done, total: calls.append((done, total)),
        )
    assert calls == [(k, 36) for k in range(1, 37)]


@pytest.mark.parametrize("name", CLIPS)
def test_no_rollback_is_invented_where_the_truck_only_creeps_or_stops(read, name):
    """Abrupt stops included: the filter of the speed must not swing the travel back."""
    reading = read(name)
    assert load("truth", name)["motion"]["rollback_mm"] == pytest.approx(0.0)
    assert reading.rollback_mm == 0.0
    assert reading.values["rollback_mm"].high95 < 0.2


@pytest.mark.slow
def test_a_rollback_of_two_millimetres_is_measured(tmp_path):
    """Rendered small, 0.4 px/mm: within a tenth of a millimetre and inside its interval."""
    scene = Scene(
        camera=Camera(width=640, height=360, view_deg=33, distance_mm=1400),
        board=Board(ramp_deg=14),
        truck=Truck(start_mm=230),
        motion=Motion(
            speed_mm_s=30, stops=(Stop(0.7, 0.8),), roll_backs=(RollBack(0.95, 0.3, 2.0),)
        ),
        timing=Timing(fps=Fraction(60), frames=110),
        seed=1,
    )
    truth = render_clip(scene, tmp_path / "back.mp4")
    scale = truth["scale"]
    with clipmark.open_clip(tmp_path / "back.mp4") as clip:
        reading = clipmark.measure_crawl(
            clip,
            0,
            patch=truth["patch"],
            scale=scale["line_px"],
            scale_mm=scale["length_mm"],
            scale_u_px=0.0,
        )
    value = reading.values["rollback_mm"]
    assert truth["motion"]["rollback_mm"] == pytest.approx(2.0)
    assert value.estimate == pytest.approx(2.0, abs=0.1)
    assert value.low95 <= 2.0 <= value.high95
