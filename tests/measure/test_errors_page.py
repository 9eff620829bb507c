"""The table of docs/errors.md is what the plane model, and clipmark on rendered clips, give."""

import re
from pathlib import Path

import cv2
import pytest

from tests.measure.errors_rows import ROWS, Row

PAGE = (Path(__file__).parents[2] / "docs" / "errors.md").read_text(encoding="utf-8")
SAME_DEG = 0.011  # a decoder or encoder of another version may move the last digit printed


def cells() -> dict[str, list[str]]:
    """Cells of the table by the words of their mistake."""
    table = PAGE[PAGE.index("| mistake |") :].split("\n\n")[0]
    rows = [line.strip().strip("|").split("|") for line in table.splitlines()[2:]]
    return {row[0].strip(): [cell.strip() for cell in row[1:]] for row in rows}


def test_the_page_has_every_row_and_no_other():
    assert list(cells()) == [row.words for row in ROWS]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.words)
def test_the_naive_columns_are_what_the_model_gives(row: Row):
    assert tuple(cells()[row.words][:2]) == row.naive()


def numbers(cell: str) -> list[float]:
    return [float(text) for text in re.findall(r"[-+]?\d+\.\d+", cell)]


@pytest.mark.slow
@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.words)
def test_the_clipmark_columns_are_what_it_makes_of_the_footage(row: Row, tmp_path: Path):
    """And wherever it states U, the error is within it."""
    cv2.setNumThreads(1)
    for found, told in zip(row.clipmark(tmp_path), cells()[row.words][2:], strict=True):
        assert numbers(found) == pytest.approx(numbers(told), abs=SAME_DEG), f"{found} for {told}"
        if numbers(found):
            error, u95 = numbers(found)
            assert abs(error) <= u95
