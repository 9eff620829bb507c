"""The chart of two markers' agreement: readable without colour, the same every time."""

import re

import pytest

from clipmark.audit.study import study_value
from clipmark.errors import AuditError, FolderError
from clipmark.report.agreement_chart import POINTS, draw_agreement
from tests.audit import study_kit as kit

LETTERS = re.compile(r"<!-- (.*?) -->", re.DOTALL)


def study_of(**more):
    return study_value(kit.drawn_markings(**more), "ramp_deg")


def words_of(study, path):
    draw_agreement(study, path)
    found = LETTERS.findall(path.read_text(encoding="utf-8"))
    return [line for text in found for line in text.split("\n")]


def test_bias_and_limits_stand_beside_their_lines_with_their_intervals(tmp_path):
    study = study_of()
    words = words_of(study, tmp_path / "a.svg")
    limits = study.pairs[0].limits
    assert "ramp: Fell and Marsh, 8 attempts" in words
    assert {"Fell less Marsh, deg", "mean of both, deg"} <= set(words)
    for name, item in (
        ("upper limit", limits.upper), ("bias", limits.bias), ("lower limit", limits.lower),
    ):  # fmt: skip
        value = f"{name} {item.value:+.3f} deg".replace("-", "\N{MINUS SIGN}")
        ends = f"95 %: {item.low:+.3f} to {item.high:+.3f}".replace("-", "\N{MINUS SIGN}")
        assert value in words
        assert ends in words


def test_every_pair_has_a_panel_and_a_symbol_of_its_own(tmp_path):
    study = study_of(blind=("Marsh", "Brook"))
    words = words_of(study, tmp_path / "a.svg")
    titles = [word for word in words if word.startswith("ramp: ")]
    assert titles == [
        "ramp: Fell and Marsh, 8 attempts",
        "ramp: Fell and Brook, 8 attempts",
        "ramp: Marsh and Brook, 8 attempts",
    ]
    symbols = [symbol for symbol, _ in POINTS]
    assert len(set(symbols)) == len(symbols)


def test_of_many_pairs_those_with_the_first_marker_are_shown_and_that_is_said(tmp_path):
    study = study_of(attempts=3, blind=("Marsh", "Brook", "Dunn", "Hale"))
    words = words_of(study, tmp_path / "a.svg")
    assert len([word for word in words if word.startswith("ramp: ")]) == 4
    assert any("Of 10 pairs those with Fell are shown." in word for word in words)


def test_means_of_repeats_are_said_to_be_means(tmp_path):
    study = study_of(blind=("Marsh",), showings=2)
    words = " ".join(words_of(study, tmp_path / "a.svg"))
    assert "Points are means of repeats; the limits are for single markings" in words


@pytest.mark.parametrize("suffix", [".png", ".svg"])
def test_the_same_study_gives_the_same_bytes(tmp_path, suffix):
    study = study_of()
    for name in ("a", "b"):
        draw_agreement(study, tmp_path / f"{name}{suffix}")
    drawn = (tmp_path / f"a{suffix}").read_bytes()
    assert drawn == (tmp_path / f"b{suffix}").read_bytes()
    assert drawn.startswith(b"\x89PNG" if suffix == ".png" else b"<?xml")


def test_too_few_attempts_and_another_kind_of_file_are_refused(tmp_path):
    study = study_of(attempts=2)
    with pytest.raises(AuditError, match="there is no agreement of ramp_deg to draw: Fell and"):
        draw_agreement(study, tmp_path / "a.png")
    with pytest.raises(FolderError, match=r"its name must end in \.png or \.svg"):
        draw_agreement(study, tmp_path / "a.jpg")
    assert not (tmp_path / "a.png").exists()
