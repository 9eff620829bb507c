"""``clipmark tilt``: from options to figures, a trace, a row for the scorer; refusals."""

import csv
import json

import pytest

from clipmark.record.folder import EventFolder
from tests.measure.tilt_scene import TiltScene, film_tilt

SHORT = {"size": (640, 440), "px_per_mm": 1.6, "fps": 30.0}


def film(side, folder):
    scene = TiltScene(**SHORT, rate_deg_s=4.0, start_deg=40.0, side=side, seed=7 + len(side))
    return film_tilt(scene, folder / f"{side}.mp4")


@pytest.fixture(scope="module")
def left(tmp_path_factory):
    """A truck tilted with its left side low, drawn."""
    return film("left", tmp_path_factory.mktemp("tilts"))


def options(truth, **more):
    """The marks of a drawn clip as an operator would type them."""
    marks = truth.marks | more
    words = ["--frame", str(truth.frame), "--square-within", "0.5"]
    for name, value in marks.items():
        for one in value if name == "uphill_tyres" else [value]:
            text = one if isinstance(one, (int, float)) else ",".join(map(str, numbers(one)))
            words += [f"--{'uphill-tyre' if name == 'uphill_tyres' else name.replace('_', '-')}"]
            words += [str(text)]
    return words


def numbers(mark):
    return mark.as_tuple() if hasattr(mark, "as_tuple") else mark


def test_a_tilt_is_a_row_for_the_scorer_and_a_trace(clipmark, left, tmp_path):
    event, trace = tmp_path / "event", tmp_path / "trace.csv"
    with EventFolder.create(event, name="Tarn Hollow Pocket Trials"):
        pass
    done = clipmark(
        "tilt", left.path, *options(left), "--trace", trace, "--into", event, "--entry", "Siskin",
        "--test", "side tilt", "--by", "M. Fell", "--json",
    )  # fmt: skip
    assert done.status == 0, done.err
    told = json.loads(done.out)
    assert told["tilt_low95_deg"] <= left.scene.balance_deg <= told["tilt_high95_deg"]
    with trace.open(encoding="utf-8") as file:
        assert next(csv.reader(file))[0] == "t_s"
    with (event / "attempts.csv").open(encoding="utf-8") as file:
        (row,) = csv.DictReader(file)
    assert float(row["tilt_deg"]) == pytest.approx(told["tilt_deg"], abs=0.01)
    assert row["tilt_event"]
    assert row["verdict"] == ""
    assert float(row["tilt_rate_deg_s"]) == pytest.approx(4.0, abs=0.3)
    again = clipmark("audit", "replay", event)
    assert (again.status, "comes back to the last digit" in again.out) == (0, True), again.out


@pytest.mark.slow
def test_left_and_right_give_the_centre_of_gravity(clipmark, left, tmp_path):
    other = tmp_path / "left.json"
    other.write_text(clipmark("tilt", left.path, *options(left), "--json").out, encoding="utf-8")
    right = film("right", tmp_path)
    done = clipmark(
        "tilt", right.path, *options(right), "--track-mm", "108", "--join", other, "--json"
    )
    assert done.status == 0, done.err
    cog = json.loads(done.out)["cog"]
    assert cog["height_low95_mm"] <= right.scene.height_mm <= cog["height_high95_mm"]
    assert cog["stability_factor"] == pytest.approx(54 / right.scene.height_mm, abs=0.02)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"platform": "1,2,3"}, "platform line"),
        ({"uphill_tyres": ["5,5,2"]}, "tyre"),
        ({"gap_mm": -1.0}, "gap"),
        ({"low_side": "up"}, "left"),
    ],
)
def test_what_cannot_be_meant_is_refused_in_a_sentence(clipmark, left, change, sentence):
    words = options(left)
    for name, value in change.items():
        flag = "--uphill-tyre" if name == "uphill_tyres" else f"--{name.replace('_', '-')}"
        text = value[0] if isinstance(value, list) else value
        if flag in words:
            words[words.index(flag) + 1] = str(text)
        else:
            words += [flag, str(text)]
    ran = clipmark("tilt", left.path, *words)
    assert ran.status == 2
    assert sentence in ran.err
    assert "Traceback" not in ran.err
