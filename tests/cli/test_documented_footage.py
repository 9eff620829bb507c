"""docs/formats.md names every key that a footage report prints, and none that it does not."""

import re
from pathlib import Path

import numpy as np
import pytest

from tests.cli.conftest import draw
from tests.measure.footage_kit import encode

PAGE = (Path(__file__).parents[2] / "docs" / "formats.md").read_text(encoding="utf-8")


def part(title: str, until: str) -> str:
    assert PAGE.count(title) == 1, title
    return PAGE.split(title)[1].split(until)[0]


@pytest.fixture(scope="module")
def filmed(tmp_path_factory) -> Path:
    """Seventy frames of the drawn board: enough to follow something for a second."""
    path = tmp_path_factory.mktemp("footage") / "board.mp4"
    rng, still = np.random.default_rng(4), draw()[60:300, 180:500]
    pictures = [still + rng.normal(0, 2.0, still.shape) for _ in range(62)]
    encode(path, [np.clip(picture, 16, 235).astype(np.uint8) for picture in pictures], 4.0)
    return path


def test_every_key_of_a_report_is_on_the_page_and_no_other(clipmark, filmed, tmp_path):
    sheet = tmp_path / "contact.png"
    ran = clipmark(
        "footage", filmed, "--scale", "20,200,300,200", "--scale-mm", "140", "--json",
        "--picture", sheet,
    )  # fmt: skip
    assert ran.status == 0, ran.err
    found = ran.json
    table = part("## A footage report", "**One of `edges`**")
    cells = [line.split("|")[1] for line in table.splitlines() if line.startswith("| `")]
    named = {name for cell in cells for name in re.findall(r"`(\w+)`", cell)}
    assert named == set(found)
    assert set(re.findall(r"`(\w+)`", part("**One of `edges`**", "\n\n"))) == set(found["edges"][0])
    assert set(re.findall(r"`(\w+)`", part("**One of `patches`**", "\n\n"))) == set(
        found["patches"][0]
    )
    assert found["px_per_mm"] == pytest.approx(2.0)
    assert found["body_u_mm"] == pytest.approx(found["body_u_px"] / 2)
    assert {"speed_mm_s", "noise_floor_mm_s", "stalls_told"} <= set(found["creeps"][0])
    assert sheet.read_bytes().startswith(b"\x89PNG")


def test_a_sheet_needs_a_name_that_ends_in_png(clipmark, filmed):
    ran = clipmark("footage", filmed, "--picture", "contact.jpg")
    assert ran.status == 2
    assert (
        "the sheet contact.jpg cannot be drawn: its name must end in .png; give it such a name"
        in " ".join(ran.err.split())
    )


def test_a_scale_needs_both_its_points_and_its_length(clipmark, filmed):
    ran = clipmark("footage", filmed, "--scale", "100,300,500,300")
    assert ran.status == 2
    assert "a scale mark needs its length (--scale-mm) as well; give both" in " ".join(
        ran.err.split()
    )


def test_tables_stay_within_80_columns(clipmark, filmed):
    ran = clipmark("footage", filmed, "--quick")
    assert ran.status == 0, ran.err
    assert max(len(line) for line in ran.out.splitlines()) <= 80
    assert "What it can support" in ran.out
