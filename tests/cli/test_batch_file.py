"""Lists of tasks: TOML and CSV say the same, and what cannot be read is told with its place."""

import pytest

from clipmark.cli.batch_file import read_tasks
from clipmark.errors import ClipmarkError

TOML = """
[options]
angle = "--level-u 0.1"

[[task]]
verb = "angle"
clip = "clips/run 7.mp4"
options = '--frame 12 --ramp 210,640,905,180 --no-edge-fit'

[[task]]
verb = "footage"
clip = "clips/creep.mp4"
options = ["--quick"]
name = "Siskin, first try"
"""
CSV = """verb,clip,options,name,--frame,--ramp,--no-edge-fit,--quick
angle,clips/run 7.mp4,--level-u 0.1,,12,"210,640,905,180",yes,no
# a remark
,,,,,,,
footage,clips/creep.mp4,,"Siskin, first try",,,,x
"""


def listed(path):
    return [(task.number, task.verb, task.clip, task.options, task.name) for task in path]


def test_toml_and_csv_say_the_same(tmp_path):
    """Marks with commas, a name with spaces, an option without value, options of a verb."""
    found = []
    for name, text in (("bench.toml", TOML), ("bench.csv", CSV)):
        (tmp_path / name).write_text(text)
        found.append(read_tasks(tmp_path / name))
    ramp = ("--frame", "12", "--ramp", "210,640,905,180", "--no-edge-fit")
    expected = [
        (1, "angle", "clips/run 7.mp4", ("--level-u", "0.1", *ramp), ""),
        (2, "footage", "clips/creep.mp4", ("--quick",), "Siskin, first try"),
    ]
    assert listed(found[0]) == expected
    assert listed(found[1]) == expected
    assert {task.base for task in found[0]} == {tmp_path}


def test_a_spreadsheet_with_semicolons_and_several_marks_in_a_cell(tmp_path):
    """As a spreadsheet writes CSV where the comma is the decimal sign."""
    path = tmp_path / "bench.csv"
    path.write_text('\ufeffverb;clip;--wheel\r\ncrawl;a.mp4;"1,2,3,3;4,5,3,3"\r\n', "utf-8")
    assert read_tasks(path)[0].options == ("--wheel", "1,2,3,3", "--wheel", "4,5,3,3")


REFUSED = {
    "a.toml": {
        '[[task]]\nclip = "a.mp4"': "a.toml, task 1: the verb is missing; give verb as text",
        '[[task]]\nverb = "angle"\nclip = "a.mp4"\nramp = 3': (
            "a.toml, task 1: 'ramp' is not known; a task has verb, clip, options, name"
        ),
        '[[task]]\nverb = "angle"\nclip = "a.mp4"\noptions = 3': (
            'a.toml, task 1: options are one text as on the command line, such as "--frame 0 '
            '--quick", or a list of such words'
        ),
        '[[task]]\nverb = "angle"\nclip = "a.mp4"\noptions = "--ramp \'1"': (
            "a.toml, task 1: the options cannot be read (no closing quotation); close every "
            "quotation mark"
        ),
        '[[tasks]]\nverb = "angle"': (
            "a.toml: 'tasks' is not known; there are [options] and [[task]]"
        ),
        "": "a.toml holds no task; add one row or [[task]] for each clip",
    },
    "a.csv": {
        "verb,clip\nangle,a.mp4,--frame 3\n": (
            "a.csv, line 2: there are 3 cells under 2 columns; put options that hold commas into "
            "quotation marks"
        ),
        "verb,film\nangle,a.mp4\n": (
            "a.csv: the column 'film' is not known; there are verb, clip, options, name, and "
            "options such as --frame"
        ),
        "verb,clip\nangle,\n": "a.csv, line 2: the clip is missing; give clip as text",
    },
    "a.txt": {
        "angle a.mp4": (
            "a.txt is no list of tasks: its name must end in .toml or .csv, or it must be an "
            "event folder (--replay, --evidence)"
        )
    },
}


@pytest.mark.parametrize(
    ("name", "text", "sentence"),
    [(name, text, said) for name, cases in REFUSED.items() for text, said in cases.items()],
)
def test_what_cannot_be_read_is_told_with_its_place(tmp_path, name, text, sentence):
    (tmp_path / name).write_text(text)
    with pytest.raises(ClipmarkError) as refused:
        read_tasks(tmp_path / name)
    assert str(refused.value) == sentence
