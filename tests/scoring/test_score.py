"""What an event folder's attempts become: claims about places, evidence and odd input."""

from decimal import Decimal

import pytest

from clipmark.errors import RecordError
from clipmark.scoring.rules import rules_of
from tests.scoring.invented import ramp, saved, score, sheet, tilt

TILT = """
[[test]]
id = "tilt"
kind = "reading"
measure = "tilt_deg"
points = [[0, 0], [100, 100]]
"""
LADDER = """
[[test]]
id = "climb"
kind = "ladder"
tries_per_step = 3
stop_after_failed_steps = 1
"""


def tilted(entry, value, own=0.0, shared=0.0, **more):
    return {"entry": entry, "test": "tilt", "readings": tilt(value, own, shared), **more}


def stood(entry, step, verdict="cleared", **more):
    return {"entry": entry, "test": "climb", "step_deg": step, "verdict": verdict, **more}


def left_out(result):
    return {item.attempt: item.left_out for item in result.attempts if item.left_out}


def test_what_two_readings_of_one_stand_share_does_not_blur_their_order():
    stand = {"stand": {"id": "left", "revision": 1}}
    same = score(
        sheet(TILT, "Wren", "Siskin"),
        tilted("Wren", 45.0, 0.02, 0.5, **stand),
        tilted("Siskin", 44.8, 0.02, 0.5, **stand),
    )
    assert same.rows[0].place_p[0] > 0.999
    assert same.rows[0].separated
    assert same.rows[0].total_u95 == pytest.approx(1.96 * 0.5004, rel=0.05)


def test_on_two_stands_the_same_readings_are_not_separated():
    """P = Phi(0.2 / sqrt(2) / 0.5004) = 0.611; 2,000 draws, four standard errors."""
    other = score(
        sheet(TILT, "Wren", "Siskin"),
        tilted("Wren", 45.0, 0.02, 0.5, stand={"id": "left", "revision": 1}),
        tilted("Siskin", 44.8, 0.02, 0.5, stand={"id": "right", "revision": 1}),
    )
    assert other.rows[0].place_p[0] == pytest.approx(0.611, abs=4 * 0.011)
    assert other.rows[0].not_separated_from == ("Siskin",)


def test_the_same_seed_gives_the_same_probabilities():
    one, two = (
        score(sheet(TILT, "Wren", "Siskin"), tilted("Wren", 45, 0.3), tilted("Siskin", 44.8, 0.3))
        for _ in range(2)
    )
    assert one.to_dict() == two.to_dict()


def test_a_new_set_up_is_a_row_of_its_own():
    result = score(
        sheet(TILT, "Wren"),
        tilted("Wren", 45.0, setup="soft tyres"),
        tilted("Wren", 43.0, setup="hard tyres"),
    )
    assert [(r.place, r.setup) for r in result.rows] == [(1, "soft tyres"), (2, "hard tyres")]


def test_classes_are_ranked_apart():
    text = sheet(TILT) + "".join(
        f'[[entry]]\nname = "{name}"\nclass = "{kind}"\n'
        for name, kind in (("Wren", "open"), ("Siskin", "stock"), ("Dunnock", "open"))
    )
    result = score(text, tilted("Wren", 45), tilted("Siskin", 44), tilted("Dunnock", 43))
    assert {r.entry: r.place for r in result.rows} == {"Wren": 1, "Dunnock": 2, "Siskin": 1}


def test_void_attempts_are_left_out_with_their_reason():
    result = score(
        sheet(TILT, "Wren"), tilted("Wren", 50, verdict="void", reason="board-moved"),
        tilted("Wren", 45),
    )  # fmt: skip
    assert left_out(result) == {"a0001": "void: board moved"}
    assert result.rows[0].total == 45


def test_the_fourth_try_and_what_came_after_the_stop_rule_do_not_count():
    result = score(
        sheet(LADDER, "Wren"),
        stood("Wren", 40, try_no=1),
        *(stood("Wren", 42, "failed", try_no=n) for n in (1, 2, 3)),
        stood("Wren", 42, try_no=4),
        stood("Wren", 44, try_no=1),
    )
    assert result.rows[0].total == 40
    assert left_out(result) == {
        "a0005": "over the 3 tries of this step",
        "a0006": "run after the stop rule had ended the ladder",
    }


def test_three_of_three_prove_little():
    result = score(sheet(LADDER, "Wren"), *(stood("Wren", 40, try_no=n) for n in (1, 2, 3)))
    assert result.rows[0].test("climb").proves == (
        "3 of 3 passed at 40 deg: proves that at least 37 % of such tries pass (95 %)"
    )
    assert result.limits[0].method == "bound"
    assert result.limits[0].limit_deg is None


def test_failure_modes_are_kept_apart():
    steps = [(43, "P"), (44, "P"), (45, "spun"), (44, "P"), (45, "P"), (46, "tipped-back"),
             (45, "spun"), (44, "P"), (45, "P"), (46, "spun"), (44, "spun")]  # fmt: skip
    result = score(
        sheet('[[test]]\nid = "climb"\nkind = "ladder"\n', "Wren"),
        *(
            stood("Wren", s) if how == "P" else stood("Wren", s, "failed", reason=how)
            for s, how in steps
        ),
    )
    modes = {fact.mode: fact for fact in result.limits}
    assert set(modes) == {"spun", "tipped-back"}
    assert modes["spun"].left_out == 1
    assert modes["tipped-back"].method == "bracket"
    assert modes["tipped-back"].low95_deg is not None


def test_a_set_angle_that_the_footage_contradicts_is_flagged():
    result = score(
        sheet(LADDER, "Wren"),
        stood("Wren", 45, set_start_deg=45.0, readings=ramp(44.2, 0.1)),
        stood("Wren", 45, set_start_deg=45.0, readings=ramp(-44.9, 0.1)),
        stood("Wren", 45, set_start_deg=45.0, set_end_deg=44.0),
    )
    assert [(f.kind, f.attempt) for f in result.flags if f.attempt] == [
        ("set angle", "a0001"), ("board moved", "a0003"),
    ]  # fmt: skip
    assert result.attempts[0].set_differs_deg == pytest.approx(-0.8)


def test_drift_of_the_reference_is_shown_and_taken_out_where_the_sheet_asks():
    """The board eases by 0.1 deg a run: the reference says 45.0, 45.2, 45.4 in runs 0, 2, 4."""
    bodies = [tilted("Dunnock", 45.0, 0.01), tilted("Wren", 44.1, 0.01),
              tilted("Dunnock", 45.2, 0.01), tilted("Siskin", 44.2, 0.01),
              tilted("Dunnock", 45.4, 0.01)]  # fmt: skip
    shown = score(sheet(TILT, "Dunnock", "Wren", "Siskin", event='reference = "Dunnock"'), *bodies)
    assert shown.drifts[0].change == pytest.approx(0.4)
    assert shown.drifts[0].seen
    assert shown.row("Siskin").total > shown.row("Wren").total
    out = score(
        sheet(TILT + 'drift = "take out"', "Dunnock", "Wren", "Siskin",
              event='reference = "Dunnock"'), *bodies,
    )  # fmt: skip
    assert (out.row("Wren").total, out.row("Siskin").total) == (Decimal("44.00"), Decimal("43.90"))
    assert out.row("Siskin").total_u95 > shown.row("Siskin").total_u95


def test_a_claim_without_a_ruling_stands_under_protest():
    claim = {"measure": "tilt_deg", "relation": "at least", "value": 46.0, "unit": "deg"}
    result = score(sheet(TILT, "Wren"), tilted("Wren", 45, claim=claim))
    assert result.rows[0].under_protest
    assert "under protest: a0001" in result.rows[0].remarks
    ruled = score(sheet(TILT, "Wren"), tilted("Wren", 45, claim=claim, ruling={"outcome": "falls"}))
    assert not ruled.rows[0].under_protest


def test_strangers_and_missing_readings_are_left_out_with_a_sentence():
    result = score(
        sheet(TILT + LADDER, "Wren"),
        tilted("Nobody", 45), {"entry": "Wren", "test": "hop"}, {"entry": "Wren", "test": "tilt"},
        {"entry": "Wren", "test": "climb", "verdict": "cleared"}, stood("Wren", 40, None),
    )  # fmt: skip
    assert left_out(result) == {
        "a0001": "the rule sheet has no entry 'Nobody'; add the entry, or revise the attempt",
        "a0002": "the rule sheet has no test 'hop'; add the test, or revise the attempt",
        "a0003": "it has no reading of tilt_deg, which this test needs; measure it",
        "a0004": "it has no step; give the step the board was set to",
        "a0005": "it has no verdict yet; give it",
    }
    assert len(result.flags) == 5


def test_two_attempts_with_one_number_are_named():
    result = score(sheet(TILT, "Wren"), tilted("Wren", 45, try_no=1), tilted("Wren", 44, try_no=1))
    assert result.flags[0].sentence == (
        "a0001 and a0002 are both try 1 of Wren at tilt; both are taken: revise the number of one, "
        "or make one void"
    )


def test_what_stands_after_a_fault_of_the_journal_is_not_scored():
    from clipmark.scoring.score import score_attempts

    result = score_attempts(
        rules_of(sheet(TILT, "Wren")), [saved(1, trusted=False, **tilted("Wren", 45))]
    )
    assert "fault of the journal" in result.attempts[0].left_out


def test_an_event_of_one_entry_and_one_of_none_are_sound():
    one = score(sheet(TILT, "Wren"), tilted("Wren", 45))
    assert "only one row is ranked, so its place says nothing" in one.notes
    assert score(sheet(TILT)).rows == ()
    assert score('[event]\nname = "x"').to_dict()["rows"] == []


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ('points = [[30, 0], [30, 5]]',
         "event.toml, line 6: points of test 'tilt' must rise from pair to pair in its first "
         "number, but 30 comes after 30"),
        ('points = [[30, 0], [40, 9], [50, 5]]',
         "event.toml, line 6: points of test 'tilt' goes up and down again in its points; a better "
         "value must never get worse points"),
        ('counted = "bset"',
         "event.toml, line 6: counted of test 'tilt' must be one of best, worst, mean, sum, first, "
         "last, but is 'bset'"),
        ('tries = 0',
         "event.toml, line 6: tries of test 'tilt' must be a whole number from 1, but is 0"),
        ('tires = 2',
         "event.toml, line 6: tires of test 'tilt' is not known; did you mean tries?"),
    ],
)  # fmt: skip
def test_a_rule_sheet_is_refused_with_line_and_key(text, sentence):
    head = '[event]\nname = "x"\n[[test]]\nid = "tilt"\nkind = "reading"'
    whole = f'{head}\n{text}\nmeasure = "tilt_deg"'
    with pytest.raises(RecordError) as refused:
        rules_of(whole, strict=True)
    assert str(refused.value) == sentence


def test_a_grade_without_points_is_a_gap():
    text = (
        '[event]\nname = "x"\n[[test]]\nid = "creep"\nkind = "smoothness"\nmeasure = "ripple"\n'
        "grade_below = [[0.03, 3], [0.06, 2]]\ngrade_else = 1\ngrades = [[3, 10], [2, 5]]\n"
    )
    with pytest.raises(RecordError, match=r"line 9: grades of test 'creep' has a gap: grade 1"):
        rules_of(text)
