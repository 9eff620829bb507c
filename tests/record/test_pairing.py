"""File names say entry, test and try, by a pattern; what does not fit is said in a sentence."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clipmark.errors import RecordError
from clipmark.record.pairing import FIELDS, Pairing, Pattern, pair_names

ENTRIES = ("Siskin", "Heather Goat", "Dipper")
TESTS = ("board ladder", "creep")


def read(pattern: str, name: str) -> Pairing:
    return pair_names(pattern, [name], entries=ENTRIES, tests=TESTS)[0]


@pytest.mark.parametrize(
    ("pattern", "name", "expected"),
    [
        ("{entry}_{test}_{try}", "Siskin_creep_2.mp4", ("Siskin", "creep", 2)),
        ("{entry}_{test}_{try}", "siskin_CREEP_02.MOV", ("Siskin", "creep", 2)),
        ("{entry}-{test}-{try}", "dipper-board-ladder-3.mp4", ("Dipper", "board ladder", 3)),
        ("{entry}-{test}", "heather-goat-board-ladder.mp4", ("Heather Goat", "board ladder", None)),
        ("{test}.{entry}", "board_ladder.heathergoat.mkv", ("Heather Goat", "board ladder", None)),
        ("run {entry} try{try}", "run dipper try7.mp4", ("Dipper", None, 7)),
    ],
)  # fmt: skip
def test_names_are_read_whichever_way_their_words_are_joined(pattern, name, expected):
    found = read(pattern, name)
    assert (found.entry, found.test, found.try_no, found.sentence) == (*expected, None)


def test_set_up_and_step_are_read_as_well():
    found = read("{entry}_{setup}_{step}", "siskin_soft tyres_42,5deg.mp4")
    assert (found.setup, found.step_deg) == ("soft tyres", 42.5)


def test_without_a_rule_sheet_any_text_is_an_entry():
    assert pair_names("{entry}_{try}", ["moss toad_1.mp4"])[0].entry == "moss toad"


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        (
            "IMG0001.MOV",
            "IMG0001.MOV does not fit the pattern '{entry}_{test}_{try}'; rename it, change the "
            "pattern, or fill the form in by hand",
        ),
        (
            "moss toad_creep_1.mp4",
            "moss toad_creep_1.mp4: 'moss toad' is no entry of the rule sheet; name one of Siskin, "
            "Heather Goat, Dipper, or add it to event.toml",
        ),
        (
            "siskin_creep_first.mp4",
            "siskin_creep_first.mp4: 'first' is not the number of a try; give 1, 2, ...",
        ),
        (
            "siskin_slalom_1.mp4",
            "siskin_slalom_1.mp4: 'slalom' is no test of the rule sheet; name one of board ladder, "
            "creep, or add it to event.toml",
        ),
    ],
)
def test_a_name_that_does_not_fit_says_why(name, sentence):
    found = read("{entry}_{test}_{try}", name)
    assert found == Pairing(name=name, sentence=sentence)


@pytest.mark.parametrize(
    ("pattern", "sentence"),
    [
        (
            "{truck}_{try}",
            "the pattern '{truck}_{try}' has the field 'truck', which is not known; use some of "
            "{entry}, {test}, {try}, {setup}, {step}",
        ),
        (
            "{entry}{try}",
            "in the pattern '{entry}{try}' two fields touch, so nobody can tell where one ends; "
            "put a character between them, such as _",
        ),
        ("{try}_{try}", "the pattern '{try}_{try}' has {try} twice; keep one"),
        (
            "{entry_{try}",
            "the pattern '{entry_{try}' has a brace without its partner; write fields as {entry}, "
            "{test}, {try}, {setup}, {step}",
        ),
        (
            "clips",
            "the pattern 'clips' names no field; use some of {entry}, {test}, {try}, {setup}, "
            "{step}, such as {entry}_{test}_{try}",
        ),
    ],
)
def test_a_pattern_that_cannot_be_used_is_refused(pattern, sentence):
    with pytest.raises(RecordError) as refused:
        Pattern.parse(pattern)
    assert str(refused.value) == sentence


@given(
    st.text(alphabet="ab_-. ", max_size=200),
    st.permutations(FIELDS),
    st.sampled_from("_-. a"),
)
def test_any_name_by_any_pattern_gives_values_or_a_sentence_and_ends(name, fields, between):
    """Names of separators only have very many readings; looking through them is bounded."""
    pattern = between.join(f"{{{field}}}" for field in fields)
    found = pair_names(pattern, [name], entries=["aaaa"], tests=["bbbb"])[0]
    assert (found.sentence is None) == (found.entry is not None)


@given(
    st.sampled_from(ENTRIES), st.sampled_from(TESTS), st.integers(1, 999), st.sampled_from("_-~")
)
def test_what_a_pattern_writes_it_reads(entry, test, try_no, between):
    name = f"{entry}{between}{test.replace(' ', between)}{between}{try_no}.mp4"
    found = read(f"{{entry}}{between}{{test}}{between}{{try}}", name)
    assert (found.entry, found.test, found.try_no, found.sentence) == (entry, test, try_no, None)
