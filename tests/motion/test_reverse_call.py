"""The same descent is a reverse on one club's sheet and none on another's."""

import itertools

import pytest

from clipmark.motion.reverse_call import FACTS, USUAL_NEEDS, call_reverse

WHEEL, BODY, DRIVEN = FACTS
HERE = {True: {"seen": True}, False: {"seen": False}, None: None}
# Rolled back a little while it was held: the wheels turned with it, the motor did not.
ROLL_BACK = {
    "wheel_turned_back": {"seen": True, "deg": 9.4, "t_s": 2.1},
    "body_moved_back": {"seen": True, "mm": 4.4, "t_s": 2.13},
    "driven": {"seen": False, "why": "it rolled freely"},
}


def facts(wheel, body, driven):
    return dict(zip(FACTS.values(), (HERE[wheel], HERE[body], HERE[driven]), strict=True))


@pytest.mark.parametrize(
    ("needs", "call"),
    [([WHEEL], "reversed"), ([BODY], "reversed"), ([BODY, DRIVEN], "not reversed")],
)
def test_a_roll_back_is_called_as_the_sheet_says(needs, call):
    """Any tyre that turns backward on one club's sheet, driven reversing only on another's."""
    assert call_reverse(ROLL_BACK, "descent", needs)["call"] == call


def test_a_sheet_that_says_nothing_calls_driven_moves_back_alone():
    told = call_reverse(ROLL_BACK, "descent", None)
    assert (told["call"], told["needs"]) == ("not reversed", list(USUAL_NEEDS))
    assert "names none (reverse_needs)" in str(told["why"])


def test_every_combination_of_facts_is_called_by_all_that_are_needed():
    for states in itertools.product((True, False, None), repeat=3):
        seen = dict(zip(FACTS, states, strict=True))
        for count in (1, 2, 3):
            for needs in itertools.combinations(FACTS, count):
                wanted = [seen[name] for name in needs]
                expected = "reversed"
                if False in wanted:
                    expected = "not reversed"
                elif None in wanted:
                    expected = "cannot tell"
                assert call_reverse(facts(*states), "d", needs)["call"] == expected


def test_the_call_names_its_rule_and_what_was_seen():
    told = call_reverse(ROLL_BACK, "descent", [WHEEL, BODY])
    assert told["why"] == (
        "by test 'descent' of the rule sheet, a reverse needs that a wheel turned back and the "
        "body moved back; a wheel turned back by 9.4 deg from 2.10 s on and the body moved back by "
        "4.4 mm from 2.13 s on"
    )


def test_what_the_footage_does_not_tell_is_named():
    told = call_reverse(facts(None, True, None), "descent", [WHEEL, BODY, DRIVEN])
    assert str(told["why"]).endswith(
        "; the footage does not tell whether a wheel turned back and it was driven back"
    )
