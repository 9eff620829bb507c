"""``clipmark plan``: what is printed is what is documented, and refusals are sentences."""

import json
import re
from pathlib import Path

import pytest

import clipmark.cli.plan as verb
from clipmark.measure.plan import plan

PAGE = (Path(__file__).parents[2] / "docs" / "formats.md").read_text(encoding="utf-8")
STAND = ["plan", "--distance-mm", "1500", "--view-angle", "65", "--board-mm", "600"]
EXAMPLE = [*STAND, "--plumb-at=-250", "--fps", "60"]


@pytest.fixture(scope="module")
def kept():
    """Plans by what they are asked with, so that printing them twice costs once."""
    return {}


@pytest.fixture
def ran(clipmark, kept, monkeypatch):
    def once(setup, **asked):
        if "plan" not in kept:
            kept["plan"] = plan(setup, **asked)
        return kept["plan"]

    monkeypatch.setattr(verb, "plan", once)
    return lambda *words: clipmark(*words)


def section() -> str:
    return PAGE.split("## A plan\n")[1].split("\n## ")[0]


def first_column(title: str) -> set[str]:
    table = section().split(title)[1].split("\n\n")[1]
    cells = [line.split("|")[1] for line in table.splitlines()[2:]]
    return {name for cell in cells for name in re.findall(r"`(\w+)`", cell)}


def named_after(title: str) -> set[str]:
    text = section().split(f"**{title}**")[1].split("\n\n")[0]
    return set(re.findall(r"`(\w+)`", text))


def test_every_key_of_a_plan_is_on_the_page_and_no_other(ran):
    done = ran(*EXAMPLE, "--json")
    assert done.status == 0, done.err
    found = json.loads(done.out)
    values = first_column("**Values, four keys each**")
    four = {f"{name.removesuffix('_deg')}{tag}_deg" for name in values
            for tag in ("", "_u95", "_low95", "_high95")}  # fmt: skip
    assert four | first_column("**Further keys**") == set(found)
    assert named_after("`smallest_difference`") == set(found["smallest_difference"])
    assert named_after("`crawl`") == set(found["crawl"])
    assert set(found["budget"]) == values
    for change in found["changes"]:
        assert set(change) == {"change", "ramp_u95_deg", "chassis_to_ramp_u95_deg"}


def test_tables_stay_within_80_columns_and_name_the_best_change(ran):
    done = ran(*EXAMPLE)
    assert done.status == 0, done.err
    assert max(map(len, done.out.splitlines())) <= 80
    assert "put the plumb line at the middle column" in done.out
    assert "slip is told above" in done.out


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (STAND, "nothing in the shot would say where level is"),
        ([*STAND, "--plumb-at", "left"], "the plumb line 'left' cannot be read: write it as"),
        ([*STAND, "--plumb-at", "0", "--picture", "big"], "the picture 'big' cannot be read"),
        ([*STAND, "--plumb-at", "0", "--sheet", "A4@9"], "the sheet's place '9' cannot be read"),
        ([*STAND, "--plumb-at", "0", "--tag", "80"], "the tag '80' has no place"),
        ([*STAND, "--plumb-at", "0", "--contrast", "0"], "a contrast of 0 (--contrast) cannot be"),
        ([*STAND, "--plumb-at", "0", "--lens", "none.json"], "the lens file none.json cannot be"),
    ],
)
def test_what_cannot_be_planned_is_refused_with_a_sentence_and_status_2(clipmark, words, sentence):
    done = clipmark(*words)
    assert done.status == 2
    assert sentence in done.err
    assert done.out == ""
    assert "Traceback" not in done.err
