"""``clipmark climb --rules``: refused before anything is measured where no rule can be named."""

import pytest

from clipmark.record.folder import EventFolder
from clipmark.sample.media import sample_media_folder

CLIP = sample_media_folder() / "siskin-descent.mp4"
MARKS = ["--frame", "0", "--patch", "300,150,60,50", "--ramp", "200,300,600,140"]


@pytest.fixture
def rules(tmp_path):
    with EventFolder.create(tmp_path / "event", name="Tarn Hollow Pocket Trials"):
        return tmp_path / "event"


def test_a_reverse_is_called_for_a_named_test(clipmark, rules):
    ran = clipmark("climb", CLIP, *MARKS, "--mode", "descend", "--rules", rules)
    assert (ran.status, ran.out) == (2, "")
    assert ran.err == (
        "clipmark climb: calling a reverse needs the test; name it as the rule sheet does "
        "(--test)\n"
    )


def test_a_test_that_the_sheet_does_not_have_is_refused(clipmark, rules):
    ran = clipmark(
        "climb", CLIP, *MARKS, "--mode", "descend", "--rules", rules, "--test", "descent"
    )
    assert (ran.status, ran.out) == (2, "")
    assert ran.err == (
        f"clipmark climb: {rules}: the rule sheet has no test 'descent'; name one of its tests\n"
    )


@pytest.mark.parametrize("verb", ["climb", "tilt"])
def test_a_chart_of_another_kind_is_refused_before_measuring(clipmark, verb):
    marks = MARKS if verb == "climb" else [
        "--frame", "0", "--platform", "10,10,90,90", "--chassis", "10,5,60,60",
    ]  # fmt: skip
    ran = clipmark(verb, CLIP, *marks, "--chart", "chart.pdf")
    assert (ran.status, ran.out) == (2, "")
    assert ran.err.startswith(f"clipmark {verb}: the chart chart.pdf is neither .png nor .svg")
