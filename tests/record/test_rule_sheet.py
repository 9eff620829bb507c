"""What marking needs of the rule sheet is read tolerantly, and refused with file and place."""

import pytest

from clipmark.errors import RecordError
from clipmark.record.folder import EventFolder
from clipmark.record.rule_sheet import GRADED_MEASURES, read_rule_sheet, rule_sheet_of
from clipmark.sample.media import sample_media_folder
from clipmark.uncertainty.grades import GradeTable

HEAD = '[event]\nname = "Tarn Hollow Pocket Trials"\n'


def sheet(rest: str):
    return rule_sheet_of(HEAD + rest)


def test_the_sample_sheet_says_what_it_says():
    found = rule_sheet_of((sample_media_folder() / "event.toml").read_text(encoding="utf-8"))
    assert (found.name, found.date) == ("Tarn Hollow Pocket Trials", "2026-05-16")
    ladder, creep, tilt, descent = found.tests
    assert (ladder.id, ladder.kind, ladder.tries_per_step) == ("board ladder", "ladder", 3)
    assert ladder.steps_deg[:3] == (30.0, 33.0, 35.0)
    assert ladder.stop_after_failed_steps == 1
    assert (creep.kind, creep.measure) == ("smoothness", "ripple")
    assert creep.grade_table is not None
    assert creep.grade_table.steps[0] == (0.03, 5)
    assert ladder.grade_table is None
    assert tilt.tilt_event == "both uphill wheels off"
    assert descent.reverse_needs == ("body moved back", "driven")
    assert [entry.name for entry in found.entries] == ["Siskin", "Dipper", "Whinfell"]
    assert found.entries[0].driver == "K. Marsden"


def test_a_new_folder_has_a_sheet_without_tests(tmp_path):
    with EventFolder.create(tmp_path / "event", name="Tarn Hollow Pocket Trials") as event:
        found = read_rule_sheet(event.path)
    assert (found.tests, found.entries, found.stands) == ((), (), ())


def test_the_blocks_of_a_new_sheet_can_be_read_once_their_remarks_are_taken_away(tmp_path):
    """The remarks of a new sheet are what operators copy from."""
    with EventFolder.create(tmp_path / "event", name="T") as event:
        text = (event.path / "event.toml").read_text(encoding="utf-8")
    shown = [line.removeprefix("# ") for line in text.splitlines()]
    keys = [line for line in shown if line.startswith("[") or " = " in line]
    found = rule_sheet_of("\n".join(keys))
    assert [test.kind for test in found.tests] == [
        "ladder", "reading", "smoothness", "graded", "course", "graded",
    ]  # fmt: skip
    assert found.tests[2].grade_table == GradeTable(
        "ripple", ((0.03, 5), (0.06, 4), (0.12, 3), (0.25, 2)), 1
    )
    assert found.tests[3].grades == ((3, 100), (2, 60), (1, 30), (0, 0))
    assert found.tests[4].calls["touch"] == 10
    assert found.tests[5].reverse_needs == ("body moved back", "driven")
    assert found.stands[0].level_u_deg == 0.05
    assert found.entries[0].setups == ("soft tyres", "hard tyres")


def test_keys_that_are_not_known_are_passed_over():
    found = sheet('[[test]]\nid = "climb"\nweather = 3\n[unheard]\nof = true\n')
    assert found.tests[0].id == "climb"


def test_calls_are_named_as_the_journal_names_them():
    calls = 'calls = { out_of_time = 10, "off line" = 2 }'
    found = sheet(f'[[test]]\nid = "c"\n{calls}\n')
    assert found.tests[0].calls == {"out-of-time": 10.0, "off-line": 2.0}


def graded(lines: str) -> str:
    return f'[[test]]\nid = "creep"\nkind = "smoothness"\n{lines}\n'


def test_more_may_be_better():
    lines = 'measure = "sparc"\ngrade_above = [[-1.6, 3], [-2, 2]]\ngrade_else = 0'
    table = sheet(graded(lines)).tests[0].grade_table
    assert table == GradeTable("sparc", ((-1.6, 3), (-2, 2)), 0, more_is_better=True)


def test_a_smoothness_test_without_grades_is_as_it_was():
    found = sheet(graded('measure = "ripple"')).test("creep")
    assert found is not None
    assert (found.measure, found.grade_table) == ("ripple", None)
    assert sheet("").test("creep") is None


def test_a_test_may_say_its_band_and_hold_time_or_leave_them_open():
    said = sheet(graded("band_hz = [1, 8]\nhold_s = 3")).tests[0]
    assert (said.band_hz, said.hold_s) == ((1.0, 8.0), 3.0)
    open_ = sheet(graded("")).tests[0]
    assert (open_.band_hz, open_.hold_s) == (None, None)


RIPPLE = 'measure = "ripple"\n'
AT = "event.toml, [[test]] number 1: "


@pytest.mark.parametrize(
    ("lines", "sentence"),
    [
        (
            RIPPLE + "grade_below = [[0.06, 5], [0.03, 4]]\ngrade_else = 1",
            "grade_below cannot be used: the limits must rise from step to step, best grade first, "
            "but 0.03 comes after 0.06; mend that line",
        ),
        (
            RIPPLE + "grade_above = [[0.03, 5], [0.06, 4]]\ngrade_else = 1",
            "grade_above cannot be used: the limits must fall from step to step, best grade first, "
            "but 0.06 comes after 0.03; mend that line",
        ),
        (
            RIPPLE + "grade_below = [[0.03, 5], [0.06, 4]]\ngrade_else = 6",
            "grade_below cannot be used: the grades must run in one direction from the best on, "
            "the one for all else included, but 6 comes after 4; mend that line",
        ),
        (
            RIPPLE + 'grade_below = [["little", 5]]\ngrade_else = 1',
            "grade_below must be a list of limits with grades, such as [[0.03, 5], [0.06, 4]], but "
            "is [['little', 5]]; mend that line",
        ),
        (
            RIPPLE + "grade_below = [[nan, 5]]\ngrade_else = 1",
            "grade_below must be a list of limits with grades, such as [[0.03, 5], [0.06, 4]], but "
            "is [[nan, 5]]; mend that line",
        ),
        (
            RIPPLE + "grade_below = []\ngrade_else = 1",
            "grade_below cannot be used: it holds no step; give at least one pair of limit and "
            "grade; mend that line",
        ),
        (
            RIPPLE + "grade_below = [[0.03, 5]]",
            "grade_below leaves the rest without a grade; add grade_else, such as grade_else = 1",
        ),
        (
            RIPPLE + "grade_else = 1",
            "grade_else needs grade_below (where less is better) or grade_above (where more is "
            "better), and only one of them; give one",
        ),
        (
            RIPPLE + "grade_below = [[1, 2]]\ngrade_above = [[1, 2]]\ngrade_else = 1",
            "grade_above needs grade_below (where less is better) or grade_above (where more is "
            "better), and only one of them; give one",
        ),
        (
            "band_hz = [5, 0.5]",
            "band_hz must be the low and the high end of a band in Hz, such as [0.5, 5.0], but is "
            "[5, 0.5]; mend that line",
        ),
        (
            "band_hz = []",
            "band_hz must be the low and the high end of a band in Hz, such as [0.5, 5.0], but is "
            "[]; mend that line",
        ),
        (
            "hold_s = 0",
            "hold_s must be a time above 0, in seconds, but is 0; mend that line",
        ),
        (
            'measure = "style"\ngrade_below = [[1, 2]]\ngrade_else = 1',
            f"measure must be one of {', '.join(GRADED_MEASURES)}, but is 'style'; mend that line",
        ),
        (
            "grade_below = [[1, 2]]\ngrade_else = 1",
            f"measure must be one of {', '.join(GRADED_MEASURES)}, but is missing; give it",
        ),
    ],
)
def test_what_a_smoothness_test_cannot_use_is_refused_with_its_place(lines, sentence):
    with pytest.raises(RecordError) as refused:
        sheet(graded(lines))
    assert str(refused.value) == AT + sentence


def test_grades_over_a_measure_belong_to_smoothness():
    with pytest.raises(RecordError) as refused:
        sheet('[[test]]\nid = "climb"\nkind = "ladder"\ngrade_below = [[1, 2]]\n')
    assert str(refused.value) == AT + (
        'grade_below grades a crawl, so it has its place in a test of kind "smoothness"; give the '
        "test that kind, or take the line out"
    )


@pytest.mark.parametrize(
    ("rest", "sentence"),
    [
        (
            '[[test]]\nid = "climb"\nsteps_deg = "30 to 50"\n',
            "event.toml, [[test]] number 1: steps_deg must be a list of numbers, but is "
            "'30 to 50'; mend that line",
        ),
        (
            '[[test]]\nkind = "ladder"\n',
            "event.toml, [[test]] number 1: id is missing; give it",
        ),
        (
            '[[test]]\nid = "climb"\ntries_per_step = 2.5\n',
            "event.toml, [[test]] number 1: tries_per_step must be a whole number from 0, but is "
            "2.5; mend that line",
        ),
        (
            '[[entry]]\nname = "Siskin"\nsetups = "soft"\n',
            "event.toml, [[entry]] number 1: setups must be a list of texts, but is 'soft'; mend "
            "that line",
        ),
        (
            '[[entry]]\nname = "Siskin"\n[[entry]]\nname = "Siskin"\n',
            "event.toml, [[entry]] number 2: name 'Siskin' stands there twice; rename one, or take "
            "it out",
        ),
        ("entry = 3\n", "event.toml: entry must be written as [[entry]] blocks; mend that"),
        (
            '[[stand]]\nid = "at the left"\n',
            "event.toml, [[stand]] number 1: id must be letters, digits, dot, dash and underscore, "
            "at most 64 of them, but is 'at the left'; mend that line",
        ),
        (
            '[[test]]\nid = "c"\ncalls = { touch = "ten" }\n',
            "event.toml, [[test]] number 1: calls must be names with points, such as "
            "{ touch = 10 }, but is {'touch': 'ten'}; mend that line",
        ),
        (
            '[[test]]\nid = "c"\ngrades = [[1, 2, 3]]\n',
            "event.toml, [[test]] number 1: grades must be a list of pairs, such as [[3, 100], "
            "[0, 0]], but is [[1, 2, 3]]; mend that line",
        ),
        (
            '[[test]]\nid = "c"\nsteps_deg = [inf]\n',
            "event.toml, [[test]] number 1: steps_deg must be a list of numbers, but is [inf]; "
            "mend that line",
        ),
    ],
)
def test_a_key_of_the_wrong_kind_is_refused_with_its_place(rest, sentence):
    text = rest + HEAD if rest.startswith("entry") else HEAD + rest
    with pytest.raises(RecordError) as refused:
        rule_sheet_of(text)
    assert str(refused.value) == sentence


def test_a_test_says_which_facts_a_reverse_needs():
    test = '[[test]]\nid = "descent"\n'
    needs = sheet(test + 'reverse_needs = ["wheel turned back"]\n').tests[0].reverse_needs
    assert needs == ("wheel turned back",)
    assert sheet(test).tests[0].reverse_needs is None


@pytest.mark.parametrize("given", ['["rolled"]', "[]", '["driven", "driven"]'])
def test_facts_that_nobody_measures_are_refused(given):
    with pytest.raises(RecordError) as refused:
        sheet(f'[[test]]\nid = "descent"\nreverse_needs = {given}\n')
    shown = given.replace('"', "'")
    assert str(refused.value) == (
        "event.toml, [[test]] number 1: reverse_needs must be a list of one or more of "
        '"wheel turned back", "body moved back", "driven", each once, all of which a reverse '
        f"needs, but is {shown}; mend that line"
    )
