"""``clipmark score`` on a whole event folder: kept scorings, files, paper, names of any kind."""

import csv
import io
import json
import sys

import pandas as pd
import pytest

from clipmark.record.folder import EventFolder
from clipmark.record.templates import EVENT_TOML, GATES_TOML
from clipmark.scoring.rules import rules_of

NAMES = ("Wren, the 2nd", 'The "Siskin"', "Dunnock \N{SNOWMAN}", "=1+1", "N" * 200)
SHEET = (
    '[event]\nname = "Tarn Hollow Pocket Trials"\n'
    '[[test]]\nid = "pile"\nkind = "graded"\ngrades = [[0, 0], [1, 1.5], [2, 3]]\n'
)


@pytest.fixture
def event(tmp_path):
    """Five entries with awkward names, one attempt each."""
    path = tmp_path / "event"
    with EventFolder.create(path) as folder:
        entries = "".join(f"[[entry]]\nname = {json.dumps(name)}\n" for name in NAMES)
        (path / "event.toml").write_text(SHEET + entries, encoding="utf-8")
        for number, name in enumerate(NAMES):
            folder.save_attempt(
                {"entry": name, "test": "pile", "grade": float(number % 3)}, by="Fell"
            )
    return path


def test_the_standings_as_json(clipmark, event):
    ran = clipmark("score", event, "--json")
    assert ran.status == 0
    rows = ran.json["rows"]
    assert [(row["place"], row["total"]) for row in rows] == [
        (1, 3), (2, 1.5), (2, 1.5), (4, 0), (4, 0),
    ]  # fmt: skip
    assert ran.json["journal_seq"] == 7  # rules, session, five attempts


def test_awkward_names_break_no_table(clipmark, event, monkeypatch):
    monkeypatch.setenv("COLUMNS", "100")
    ran = clipmark("score", event, "--details")
    assert ran.status == 0
    assert "N" * 41 not in ran.out
    assert "Dunnock \N{SNOWMAN}" in ran.out


def test_files_for_other_programs(clipmark, event, tmp_path):
    plain, comma, whole = (tmp_path / n for n in ("s.csv", "comma.csv", "a.json"))
    assert clipmark("score", event, "--standings", plain, "--attempts", whole).status == 0
    assert clipmark("score", event, "--standings", comma, "--decimal-comma").status == 0
    rows = list(csv.DictReader(io.StringIO(plain.read_bytes().decode("utf-8"))))
    assert {row["entry"] for row in rows} == {*NAMES[:3], "'=1+1", NAMES[4]}
    data = comma.read_bytes()
    assert data.startswith(b"\xef\xbb\xbf")
    rows = list(csv.DictReader(io.StringIO(data.decode("utf-8-sig")), delimiter=";"))
    assert {row["total"] for row in rows} == {"3", "1,5", "0"}
    assert [row["points"] for row in json.loads(whole.read_text())] == [0, 1.5, 3, 0, 1.5]


def test_parquet_holds_the_same_standings_with_numbers_as_numbers(clipmark, event, tmp_path):
    kept = tmp_path / "s.parquet"
    assert clipmark("score", event, "--standings", kept).status == 0
    table = pd.read_parquet(kept)
    assert sorted(table["total"]) == [0.0, 0.0, 1.5, 1.5, 3.0]
    assert set(table["entry"]) >= set(NAMES[:3])


def test_parquet_without_its_library_is_a_sentence(clipmark, event, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    ran = clipmark("score", event, "--standings", tmp_path / "s.parquet")
    assert ran.status == 2
    assert ran.err.strip() == (
        "clipmark score: s.parquet needs the library pyarrow, which is not installed; install it "
        "with pip install 'clipmark[parquet]', or write .csv or .json"
    )


def test_what_changed_since_a_kept_scoring(clipmark, event):
    kept = clipmark("score", event, "--name", "after round 1", "--by", "Fell", "--json")
    assert kept.json["kept"] == {"id": "after-round-1", "revision": 1, "journal_seq": 8}
    nothing = clipmark("score", event, "--since", "after round 1", "--json")
    assert nothing.json["changes"] == []
    with EventFolder.open(event) as folder:
        body = {"entry": NAMES[0], "test": "pile", "grade": 2.0}
        folder.save_attempt(body, by="Fell", id="a0001", base_revision=1)
    told = clipmark("score", event, "--since", "after round 1", "--json").json["changes"]
    assert [change["sentence"] for change in told][:3] == [
        "Wren, the 2nd: place was 4, is 1",
        "Wren, the 2nd: total was 0, is 3",
        "Wren, the 2nd: pile was 0, is 3",
    ]
    assert "a0001 of Wren, the 2nd was revised (revision 2)" in [c["sentence"] for c in told]
    missing = clipmark("score", event, "--since", "round 9")
    assert missing.status == 2
    assert "there are 'after round 1'" in missing.err


def test_slips_and_slates_are_true_to_size(clipmark, event, tmp_path):
    slips, slates = tmp_path / "slips.pdf", tmp_path / "slates.pdf"
    ran = clipmark(
        "score", event, "--print-slips", slips, "--print-slates", slates, "--paper", "A6"
    )
    assert ran.status == 0
    for file in (slips, slates):
        assert b"/MediaBox [0 0 297.6378 419.5276]" in file.read_bytes()


def test_a_sheet_is_checked_without_scoring(clipmark, event):
    assert clipmark("score", event, "--check").status == 0
    sheet = event / "event.toml"
    sheet.write_text(
        sheet.read_text(encoding="utf-8").replace("grades", "grades_"), encoding="utf-8"
    )
    ran = clipmark("score", event, "--check")
    assert ran.status == 2
    assert "line 6: grades_ of test 'pile' is not known; did you mean grades?" in ran.err
    assert clipmark("score", event).status == 0  # read tolerantly: the grade itself is the points


def test_both_sheets_that_start_writes_are_sound_with_everything_taken_in():
    rules_of(GATES_TOML.format(name="x"), strict=True)
    lines = EVENT_TOML.format(name="x").splitlines()
    taken = [
        line.removeprefix("# ")
        for line in lines
        if not line.startswith("# ") or " = " in line or line.startswith("# [[")
    ]
    rules = rules_of("\n".join(taken), strict=True)
    assert {test.kind for test in rules.tests} == {
        "ladder", "reading", "smoothness", "graded", "course",
    }  # fmt: skip


def test_keeping_needs_a_name_and_a_person(clipmark, event):
    ran = clipmark("score", event, "--name", "after round 1")
    assert ran.err.strip() == (
        "clipmark score: a scoring that is kept says who kept it; add the person (--by)"
    )
    assert clipmark("score", event, "--name", "???", "--by", "Fell").status == 2
    assert clipmark("score", event, "--draws", "1").status == 2
