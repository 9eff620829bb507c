"""A small scoring made up by hand: two set-ups of one entry, another one that did not start."""

from decimal import Decimal

from clipmark.scoring.result import (
    AttemptScore,
    EventResult,
    Flag,
    LimitFact,
    Row,
    TestFacts,
    TestScore,
)


def attempt(number: int, setup: str, test: str, value: float, u95: float) -> AttemptScore:
    return AttemptScore(
        f"a{number:04d}", 1, number, test, "", "Siskin", setup, "sealed birch", 1, None, "cleared",
        "", value, u95, value - u95, value + u95,
    )  # fmt: skip


def scored(attempts: tuple[AttemptScore, ...] = ()) -> EventResult:
    tests = (
        TestFacts("board ladder", "ladder", measure="step_deg", unit="deg",
                  said="At most 3 tries per step; the ladder ends after 1 failed step."),
        TestFacts("creep", "smoothness", measure="ripple", said="Ripple from 0.5 to 5 Hz."),
    )  # fmt: skip
    rows = (
        Row(
            "r1", "", "Siskin", "soft tyres", "K. Fell", Decimal("183.25"), 1, False, (0.9, 0.1),
            1, 2, False, ("r2",), 3.0, 180.0, 186.0,
            tests=(
                TestScore("board ladder", "scored", Decimal("90"), 1, (0.9, 0.1), 44.0, None,
                          "deg", tries=9, cleared=6),
                TestScore("creep", "scored", Decimal("93.25"), 1, (0.99, 0.01), 0.0862, 0.0021,
                          "", 92.1, 94.2, tries=2, cleared=2),
            ),
        ),
        Row(
            "r2", "", "Siskin", "as entered", "K. Fell", Decimal("150.5"), 2, False, (0.1, 0.9),
            1, 2, False, ("r1",), 3.0, 147.0, 154.0,
            tests=(
                TestScore("board ladder", "scored", Decimal("70"), 2, (0.1, 0.9), 42.0, None,
                          "deg", tries=9, cleared=5),
                TestScore("creep", "scored", Decimal("80.5"), 2, (0.01, 0.99), 0.1264, 0.0019),
            ),
        ),
        Row(
            "r3", "", "Wren", "as entered", remarks=("did not start on the board ladder",),
            tests=(TestScore("board ladder", "did not start"), TestScore("creep", "no reading")),
        ),
    )  # fmt: skip
    limits = (
        LimitFact("board ladder", "r1", "spun", "fixed steps", 9, 6, 0, 44.9, 44.1, 46.2, 0.7,
                  "limit 44.9°, 44.1° to 46.2° (95 %), spun"),
        LimitFact("board ladder", "r2", "spun", "fixed steps", 9, 5, 0, 42.8, 41.9, 43.5, 0.7),
        LimitFact("board ladder", "r3", "any", "bound", 3, 3, 0, None, 40.0, None),
    )  # fmt: skip
    return EventResult(
        "Tarn Hollow", "2026-05-16", "", "standings", "highest", ("",), tests, rows, attempts,
        limits, flags=(Flag("claim", "Attempt a0003 is under protest."),),
    )  # fmt: skip
