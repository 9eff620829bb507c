"""Points and totals to the last digit against sheets worked by hand.

Rules of thumb of the trade (common practice, no source): a point per degree on a climb in 1 deg
steps, half a point per degree on a side tilt read to 0.1 deg (0.1 deg is 0.05 point), small whole
grades for obstacles. Results, names and the penalty sheet's values are invented; each total was
added up by hand.
"""

from decimal import Decimal

from tests.scoring.invented import score, sheet, tilt

BENCH = """
[[test]]
id = "climb"
kind = "ladder"
steps_deg = [40, 41, 42, 43, 44, 45, 46]
tries_per_step = 3
stop_after_failed_steps = 1
points = [[30, 30], [60, 60]]
[[test]]
id = "side tilt"
kind = "reading"
measure = "tilt_deg"
round_to = 0.1
points = [[0, 0], [60, 30]]
tries = 2
counted = "mean"
[[test]]
id = "pile"
kind = "graded"
grades = [[3, 3], [2, 2], [1, 1], [0, 0]]
tries = 2
"""


def climbed(entry, *steps, failed):
    found = [
        {"entry": entry, "test": "climb", "step_deg": s, "try_no": 1, "verdict": "cleared"}
        for s in steps
    ]
    tries = [
        {"entry": entry, "test": "climb", "step_deg": failed, "try_no": n, "verdict": "failed",
         "reason": "spun"}
        for n in (1, 2, 3)
    ]  # fmt: skip
    return [*found, *tries]


def test_a_bench_day_of_climb_side_tilt_and_pile():
    """Siskin 44 + (21.85 + 21.90)/2 -> 21.88 + 3 = 68.88; Wren 43 + (22.60 + 22.65)/2 -> 22.62
    + 2 = 67.62; Dunnock 45 + 21.05 + 1 = 67.05. Means fall on ...5 and go to the even hundredth.
    """
    result = score(
        sheet(BENCH, "Siskin", "Wren", "Dunnock"),
        *climbed("Siskin", 43, 44, failed=45),
        *climbed("Wren", 42, 43, failed=44),
        *climbed("Dunnock", 44, 45, failed=46),
        *[
            {"entry": entry, "test": "side tilt", "try_no": n, "readings": tilt(angle)}
            for entry, angles in {
                "Siskin": (43.7, 43.8), "Wren": (45.2, 45.3), "Dunnock": (42.1, 42.1),
            }.items()
            for n, angle in enumerate(angles, 1)
        ],
        *[
            {"entry": entry, "test": "pile", "try_no": n, "grade": grade}
            for entry, grades in {"Siskin": (2, 3), "Wren": (2, 1), "Dunnock": (0, 1)}.items()
            for n, grade in enumerate(grades, 1)
        ],
    )  # fmt: skip
    assert {row.entry: row.total for row in result.rows} == {
        "Siskin": Decimal("68.88"), "Wren": Decimal("67.62"), "Dunnock": Decimal("67.05"),
    }  # fmt: skip
    assert [row.place for row in result.rows] == [1, 2, 3]


def test_a_tenth_of_a_degree_of_tilt_is_a_twentieth_of_a_point():
    for angle, points in ((43.7, "21.85"), (43.8, "21.90"), (43.74, "21.85"), (43.76, "21.90")):
        result = score(
            sheet(BENCH, "Siskin"),
            {"entry": "Siskin", "test": "side tilt", "readings": tilt(angle)},
        )
        assert result.rows[0].test("side tilt").points == Decimal(points)


GATES = """
[[test]]
id = "beck"
kind = "course"
calls = { reverse = 2, touch = 7, marker = 6 }
progress = -3
cap = 30
did_not_finish = 30
less_progress = true
did_not_start = 50
time_limit_s = 240
time_points = [[0, 0], [120, 0], [240, 6]]
"""


def test_a_gate_day_where_the_lowest_total_wins():
    """Wren 2*2 + 6 - 4*3 = -2, time 180 s + 3 = 1; Siskin 7 + 2 - 3*3 = 0, time 100 s + 0 = 0;
    Dunnock did not finish 30 - 2*3 = 24; Fieldfare did not start 50.
    """
    span = {"first_frame": 0, "last_frame": 10, "first_t_s": 0.0}
    result = score(
        sheet(GATES, "Wren", "Siskin", "Dunnock", "Fieldfare", event='order = "lowest"'),
        {"entry": "Wren", "test": "beck", "progress": 4, "span": span | {"last_t_s": 180.0},
         "calls": [{"call": c, "t_s": 1.0} for c in ("reverse", "reverse", "marker")]},
        {"entry": "Siskin", "test": "beck", "progress": 3, "span": span | {"last_t_s": 100.0},
         "calls": [{"call": c, "t_s": 1.0} for c in ("touch", "reverse")]},
        {"entry": "Dunnock", "test": "beck", "progress": 2, "verdict": "failed",
         "reason": "rolled", "calls": [{"call": "touch", "t_s": 1.0}]},
    )  # fmt: skip
    assert [(r.place, r.entry, r.total) for r in result.rows] == [
        (1, "Siskin", 0), (2, "Wren", 1), (3, "Dunnock", 24), (4, "Fieldfare", 50),
    ]  # fmt: skip


def test_the_cap_ends_a_run():
    calls = [{"call": "touch", "t_s": float(t)} for t in range(6)]
    result = score(
        sheet(GATES, "Wren", event='order = "lowest"'),
        {"entry": "Wren", "test": "beck", "calls": calls, "verdict": "cleared"},
    )
    assert result.rows[0].total == 30


def test_drops_and_count_back():
    """Worst of three tests dropped: Wren 9 + 7, Siskin 8 + 8; a tie at 16, and 9 is the best."""
    tests = "".join(f'[[test]]\nid = "p{n}"\nkind = "graded"\n' for n in (1, 2, 3))
    bodies = [
        {"entry": entry, "test": f"p{n}", "grade": grade}
        for entry, grades in {"Wren": (9, 7, 1), "Siskin": (8, 2, 8)}.items()
        for n, grade in enumerate(grades, 1)
    ]
    tied = score(sheet(tests, "Wren", "Siskin", event="drop_tests = 1"), *bodies)
    assert [(r.place, r.tied, r.total) for r in tied.rows] == [(1, True, 16), (1, True, 16)]
    broken = score(
        sheet(tests, "Wren", "Siskin", event='drop_tests = 1\nties = ["count-back"]'), *bodies
    )
    assert [(r.place, r.entry) for r in broken.rows] == [(1, "Wren"), (2, "Siskin")]


def test_sums_that_binary_fractions_would_split_are_a_tie():
    """0.1 + 0.2 and 0.3 + 0.0 are the same sum."""
    tests = "".join(f'[[test]]\nid = "p{n}"\nkind = "graded"\n' for n in (1, 2))
    result = score(
        sheet(tests, "Wren", "Siskin"),
        {"entry": "Wren", "test": "p1", "grade": 0.1},
        {"entry": "Wren", "test": "p2", "grade": 0.2},
        {"entry": "Siskin", "test": "p1", "grade": 0.3},
        {"entry": "Siskin", "test": "p2", "grade": 0.0},
    )
    assert [row.place for row in result.rows] == [1, 1]
