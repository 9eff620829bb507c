"""Every way to measure comes back from its record bit for bit, whatever was marked and said."""

import json

import numpy as np
import pytest

from clipmark.audit.replay import replay_attempt
from clipmark.clip import open_clip
from clipmark.geometry.lens import Lens
from clipmark.marks import Line, Sheet
from clipmark.measure.angle import measure_angle
from clipmark.measure.crawl import measure_crawl
from clipmark.sample.media import sample_media_folder
from tests.cli.conftest import HEIGHT, WIDTH
from tests.measure import test_evidence_in_pictures as wall

MEDIA = sample_media_folder()
RAMP, HUBS = (100, 320, 520, 96), (258, 186, 372, 118)
PLUMB, LEVEL = (561, 40, 563, 300), (40, 100.3, 600, 100.9)
FISHEYE = Lens(
    "fisheye", 520.0, 520.0, (WIDTH - 1) / 2, (HEIGHT - 1) / 2, (0.02, -0.003, 0.0, 0.0),
    (WIDTH, HEIGHT), np.diag([1.0, 1, 0.2, 0.2, 1e-6, 1e-6, 0, 0]),
)  # fmt: skip
QUICK = {"draws": 600, "budget_draws": 0}  # the ends of intervals are rough, and the same each time

BOARD = {
    "several ramp lines": {"ramp": [RAMP, (101, 319, 519, 97), (99, 321, 522, 96)], "plumb": PLUMB},
    "hubs, rim and facing": {
        "ramp": RAMP, "hubs": HUBS, "rim_px": 27.0, "facing": "right", "plumb": PLUMB,
    },
    "hubs, rim not given": {"ramp": RAMP, "hubs": HUBS, "plumb": PLUMB},
    "a chassis rail, no edge fit": {
        "ramp": RAMP, "chassis": (260, 186, 370, 119), "plumb": PLUMB, "edge_fit": False,
    },
    "level and plumb": {
        "ramp": RAMP, "plumb": PLUMB, "level": LEVEL, "edge_fit": False, "level_u_deg": 0.2,
    },
    "a turning board": {"ramp": RAMP, "plumb": PLUMB, "turning_deg_s": 12.5},
    "a fisheye lens": {"ramp": RAMP, "hubs": HUBS, "plumb": PLUMB, "lens": FISHEYE},
    "a view angle": {
        "ramp": RAMP, "plumb": PLUMB, "view_angle_deg": 62.0, "square_within_deg": 2.5,
    },
    "another seed": {"ramp": RAMP, "plumb": PLUMB, "seed": 77, "level_u_deg": 0.0},
}  # fmt: skip
SECOND = Sheet.from_values([[150, 60], [260, 64], [258, 140], [148, 138]], (120.0, 80.0), 1.0)
WALL = {
    **wall.EVIDENCE,
    "two sheets": {
        "plumb": wall.PLUMBS[1], "sheet": [wall.SHEET, wall.SHEET], "square_within_deg": 5.0,
    },
}  # fmt: skip
BOARD |= {  # moving lines onto edges takes most of the time
    f"{name}, as marked": BOARD[name] | {"edge_fit": False}
    for name in ("several ramp lines", "a fisheye lens")
}
QUICKLY = {name for name, given in BOARD.items() if given.get("edge_fit") is False}


def kinds(table, default):
    return [
        name if name in default else pytest.param(name, marks=pytest.mark.slow) for name in table
    ]


def comes_back(event, saved):
    replay = replay_attempt(event, saved)
    assert [item.reading.outcome for item in replay.readings] == ["equal"], replay.to_dict()
    assert replay.agrees


@pytest.mark.parametrize("what", kinds(BOARD, QUICKLY))
def test_an_angle_comes_back_to_the_last_digit(what, event, keep, board):
    with open_clip(board) as clip:
        result = measure_angle(clip, 2, **{**QUICK, **BOARD[what]}).to_dict()
    comes_back(event, keep(event, board, "angle", result))


@pytest.mark.slow
@pytest.mark.parametrize("what", WALL)
def test_an_angle_in_a_known_plane_comes_back(what, event, keep, tmp_path):
    path = wall.write(tmp_path / "wall.mp4", [wall.picture()] * 3)
    with open_clip(path) as clip:
        result = measure_angle(clip, 1, ramp=wall.RAMP, lens=wall.LENS, **QUICK, **WALL[what])
    comes_back(event, keep(event, path, "angle", result.to_dict()))


@pytest.mark.slow
def test_an_angle_with_its_budget_comes_back(event, keep, board):
    with open_clip(board) as clip:
        result = measure_angle(clip, 2, ramp=RAMP, hubs=HUBS, plumb=PLUMB).to_dict()
    comes_back(event, keep(event, board, "angle", result))


@pytest.mark.parametrize("rate", [120, 239.76, 59.94, 1000 / 3])
def test_a_declared_true_rate_is_declared_again(rate, event, keep, board):
    with open_clip(board, true_fps=rate) as clip:
        result = measure_angle(clip, 3, ramp=RAMP, plumb=PLUMB, edge_fit=False, **QUICK).to_dict()
    saved = keep(event, board, "angle", result)
    assert saved.attempt.reading("angle").t_s == pytest.approx(3 / rate, rel=1e-3)
    comes_back(event, saved)


def marks_of(name):
    return json.loads((MEDIA / "marks" / f"{name}.json").read_text())


def stall_marks():
    marks = marks_of("siskin-stall")
    return {
        "patch": marks["patch"], "scale": marks["scale"], "scale_mm": marks["scale_mm"],
    }  # fmt: skip


def wheels_of(name):
    truth = json.loads((MEDIA / "truth" / f"{name}.json").read_text())
    return [[cx + 3, cy - 4, rx, ry, turn] for cx, cy, rx, ry, turn in truth["wheels"]]


CRAWL = {
    "scale, short span": {"span": (0, 40)},
    "another hold time, band and window": {
        "span": (0, 70), "hold_s": 0.7, "band_hz": (1.0, 8.0), "window_s": 0.21,
    },
    "scale's own uncertainty": {"span": (0, 25), "scale_u_px": 1.3, "scale_u_mm": 0.4},
    "no edge fit, facing and way": {
        "span": (0, 45), "edge_fit": False, "facing": "left", "travel": (300, 330, 500, 250),
    },
    "wheels with a diameter": {"span": (0, 60), "wheels": "both", "wheel_mm": 54.0},
    "wheels, uncertain diameter, not moved": {
        "span": (0, 40), "wheels": "both", "wheel_mm": 54.0, "wheel_u_mm": 1.5, "edge_fit": False,
    },
    "length by the rim": {
        "span": (0, 40), "wheels": "both", "rim_mm": 38.0, "wheel_mm": 54.0, "scale": None,
        "scale_mm": None,
    },
    "length by the wheel": {
        "span": (0, 40), "wheels": "both", "wheel_mm": 54.0, "scale": None, "scale_mm": None,
    },
    "a view angle": {"span": (0, 40), "view_angle_deg": 58.0, "square_within_deg": 2.0},
}  # fmt: skip


@pytest.mark.parametrize("what", kinds(CRAWL, {"scale's own uncertainty"}))
def test_a_crawl_comes_back_to_the_last_digit(what, event, keep):
    path = MEDIA / "siskin-stall.mp4"
    given = stall_marks() | CRAWL[what]
    if given.get("wheels") == "both":
        given["wheels"] = wheels_of("siskin-stall")
    with open_clip(path) as clip:
        result = measure_crawl(clip, 0, **given).to_dict()
    comes_back(event, keep(event, path, "crawl", result, test="creep"))


@pytest.mark.slow
@pytest.mark.parametrize("with_scale", [False, True])
def test_a_crawl_with_sheet_and_lens_comes_back(with_scale, event, keep):
    name = "dipper-creep"
    marks = marks_of(name)
    size = marks.get("sheet_size") or [297, 210]
    given = {
        "patch": marks["patch"], "span": (0, 40),
        "lens": MEDIA / "lenses" / marks["lens"],
        "sheet": Sheet.from_values(
            np.reshape(marks["sheet"], (4, 2)).tolist(), (float(size[0]), float(size[1]))
        ),
    }  # fmt: skip
    if with_scale:
        given |= {"scale": (100, 30, 570, 25), "scale_mm": 295.0}
    with open_clip(MEDIA / f"{name}.mp4") as clip:
        result = measure_crawl(clip, 0, **given).to_dict()
    comes_back(event, keep(event, MEDIA / f"{name}.mp4", "crawl", result, test="creep"))


def test_a_crawl_on_a_map_of_a_program_says_who_can_repeat_it(event, keep):
    path = MEDIA / "siskin-stall.mp4"
    with open_clip(path) as clip:
        result = measure_crawl(
            clip, 0, patch=stall_marks()["patch"], span=(0, 20), to_plane=lambda xy: xy * 0.5
        ).to_dict()
    replay = replay_attempt(event, keep(event, path, "crawl", result, test="creep"))
    [item] = replay.readings
    assert item.reading.outcome == "cannot be repeated"
    assert item.reading.sentence == (
        "The crawl reading cannot be repeated: lengths of this crawl came from a map given in a "
        "program, which no journal holds; repeat it with that program."
    )


def test_marks_of_the_attempt_are_compared_with_those_of_the_reading(event, keep, board):
    """A line moved in a later revision, without measuring again, is named."""
    with open_clip(board) as clip:
        result = measure_angle(clip, 2, ramp=RAMP, plumb=PLUMB, edge_fit=False, **QUICK).to_dict()
    marks = [(Line(*RAMP), "ramp"), (Line(*PLUMB), "plumb")]
    saved = keep(event, board, "angle", result, marks)
    assert replay_attempt(event, saved).readings[0].marks == ()
    moved = tuple(
        mark.model_copy(update={"x1": mark.x1 + 3.0}) if mark.role == "ramp" else mark
        for mark in saved.attempt.marks
    )
    event.save_attempt(
        saved.attempt.model_copy(update={"marks": moved}), by="Marsh", id=saved.id, base_revision=1
    )
    replay = replay_attempt(event, event.attempt(saved.id))
    assert replay.readings[0].marks == ("ramp line",)
    assert not replay.agrees
    assert replay.readings[0].sentences[1] == (
        "The attempt's marks are no longer those of this reading: ramp line. It was repeated from "
        "its own."
    )
