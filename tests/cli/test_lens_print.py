"""``clipmark lens --print-board`` and ``--print-tags`` from the command line."""


def test_a_board_is_written_and_its_use_is_told(clipmark, tmp_path):
    out = tmp_path / "board.pdf"
    ran = clipmark("lens", "--print-board", "A3", out, "--charuco", "5x5_100", "--json")
    assert ran.status == 0
    assert ran.err == ""
    assert ran.json["use"] == (
        "clipmark lens CLIP --board 9x6 --square-mm 37 --charuco 5x5_100 --marker-mm 26.6 "
        "--out lens.json"
    )
    assert ran.json["paper_size_mm"] == [420.0, 297.0]
    assert out.read_bytes().startswith(b"%PDF-1.7")


def test_tags_are_written_as_svg(clipmark, tmp_path):
    out = tmp_path / "tags.svg"
    ran = clipmark("lens", out, "--print-tags", "A4", "--tags", "0,1", "--tag-mm", "80", "--json")
    assert ran.status == 0
    assert (ran.json["tags"], ran.json["tag_mm"]) == ([0, 1], 80.0)
    assert out.read_text(encoding="utf-8").startswith("<svg")


def test_what_is_printed_is_told_to_people_too(clipmark, tmp_path):
    ran = clipmark("lens", "--print-board", "A4", tmp_path / "board.svg")
    assert ran.status == 0
    assert "9 x 6" in ran.out
    assert "Print it at 100 %, and check its two rulers with a steel rule." in ran.out


def test_a_board_or_tags_that_cannot_be_read_are_refused(clipmark, tmp_path):
    out = tmp_path / "page.pdf"
    ran = clipmark("lens", "--print-board", "A4", out, "--board", "nine")
    assert ran.status == 2
    assert ran.err == (
        "clipmark lens: the board 'nine' cannot be read: write its inner corners as COLUMNSxROWS, "
        "such as 9x6 (--board)\n"
    )
    ran = clipmark("lens", "--print-tags", "A4", out, "--tags", "one")
    assert ran.err == (
        "clipmark lens: the tags 'one' cannot be read: write their ids with commas, such as 0,1,5 "
        "(--tags)\n"
    )
    assert not out.exists()
