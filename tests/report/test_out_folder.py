"""Where a report goes: replaced in one go, and nobody else's files are touched."""

import json

import pytest

from clipmark.errors import FolderError
from clipmark.report.out_folder import LIST_NAME, made_aside, put


def write(out, **files: str) -> None:
    """A report with these files; a double underscore stands for a slash, a single for a dot."""
    with made_aside(out) as made:
        for name, text in files.items():
            path = made / name.replace("__", "/").replace("_", ".")
            path.parent.mkdir(exist_ok=True)
            path.write_text(text)
        put(made, out)


def names(out) -> list[str]:
    return sorted(p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file())


def test_an_older_report_is_replaced_and_what_it_left_over_goes(tmp_path):
    out = tmp_path / "report"
    write(out, report_html="old", cards__a_png="a", clips__b_mp4="b")
    write(out, report_html="new", cards__c_png="c")
    assert names(out) == ["cards/c.png", LIST_NAME, "report.html"]
    assert (out / "report.html").read_text() == "new"
    assert not (out / "clips").exists()


def test_files_of_others_stay(tmp_path):
    out = tmp_path / "report"
    (out / "cards").mkdir(parents=True)
    (out / "notes.txt").write_text("mine")
    (out / "cards" / "photo.png").write_text("mine")
    write(out, report_html="old", cards__a_png="a")
    write(out, report_html="new")
    assert (out / "notes.txt").read_text() == (out / "cards" / "photo.png").read_text() == "mine"


def test_a_file_of_somebody_else_with_our_name_is_not_overwritten(tmp_path):
    out = tmp_path / "report"
    out.mkdir()
    (out / "report.html").write_text("mine")
    with pytest.raises(FolderError) as refusal:
        write(out, report_html="ours", cards__a_png="a")
    assert str(refusal.value) == (
        f"{out / 'report.html'} was not made by `clipmark report` and stays as it is; move or "
        "rename it, or give another folder (--out)"
    )
    assert names(out) == ["report.html"]


def test_a_file_that_was_changed_by_hand_is_neither_overwritten_nor_deleted(tmp_path):
    out = tmp_path / "report"
    write(out, report_html="old", cards__a_png="a")
    (out / "cards" / "a.png").write_text("drawn over")
    write(out, report_html="new")
    assert (out / "cards" / "a.png").read_text() == "drawn over"
    (out / "report.html").write_text("annotated by hand")
    with pytest.raises(FolderError, match="was changed since and stays as it is"):
        write(out, report_html="newer")


def test_a_list_that_names_files_elsewhere_deletes_nothing_there(tmp_path):
    out = tmp_path / "report"
    write(out, report_html="old")
    outside = tmp_path / "outside.txt"
    outside.write_text("old")
    listed = json.loads((out / LIST_NAME).read_text())
    listed["files"]["../outside.txt"] = listed["files"]["report.html"]
    (out / LIST_NAME).write_text(json.dumps(listed))
    write(out, report_html="new")
    assert outside.read_text() == "old"


def test_a_report_that_was_cut_off_halfway_can_be_written_again(tmp_path, monkeypatch):
    from pathlib import Path

    out = tmp_path / "report"
    write(out, report_html="old", cards__a_png="a")
    move = Path.replace

    def stops(self, target):
        if Path(target).name == "report.html":
            raise OSError(28, "no space")
        return move(self, target)

    monkeypatch.setattr(Path, "replace", stops)
    with pytest.raises(FolderError, match="the disk is full"):
        write(out, report_html="new", cards__a_png="b")
    monkeypatch.undo()
    assert (out / "report.html").read_text() == "old"
    write(out, report_html="newest", cards__a_png="c")
    assert (out / "report.html").read_text() == "newest"
    assert [p.name for p in tmp_path.iterdir()] == ["report"]


def test_a_file_in_the_place_of_the_folder_is_refused(tmp_path):
    (tmp_path / "out").write_text("a file")
    with pytest.raises(FolderError, match="is a file, so no report can be put there"):
        write(tmp_path / "out", report_html="x")
