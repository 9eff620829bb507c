"""Places said to be so sure are right so often."""

import time

import numpy as np
import pytest

from clipmark.scoring.rules import rules_of
from clipmark.scoring.score import score_attempts
from tests.scoring.invented import attempts, score, sheet, tilt

RULES = '[[test]]\nid = "tilt"\nkind = "reading"\nmeasure = "tilt_deg"\ncounted = "mean"\n'
NAMES = ("Wren", "Siskin", "Dunnock", "Fieldfare", "Brambling")


def stated_and_right(events: int, seed: int) -> np.ndarray:
    """Stated probability of each place, and whether it is the true one; two stands, two tries."""
    rng = np.random.default_rng(seed)
    found = []
    text = sheet(RULES, *NAMES, event="points_to = 0.001")
    for number in range(events):
        true = rng.uniform(40.0, 46.0, len(NAMES))  # wide beside the uncertainties
        offsets = rng.normal(0, 0.4, 2)
        bodies = []
        for k, name in enumerate(NAMES):
            stand = k % 2
            for _ in range(2):
                value = true[k] + offsets[stand] + rng.normal(0, 0.3)
                bodies.append(
                    {"entry": name, "test": "tilt", "stand": {"id": f"s{stand}", "revision": 1},
                     "readings": tilt(float(value), 0.3, 0.4)}
                )  # fmt: skip
        result = score(text, *bodies, draws=2000, seed=number)
        rank = {NAMES[at]: place for place, at in enumerate(np.argsort(-true), 1)}
        found += [(row.place_p[row.place - 1], rank[row.entry] == row.place) for row in result.rows]
    return np.array(found, dtype=float)


def check(found: np.ndarray, extra: float) -> None:
    for low in np.arange(0.3, 1.0, 0.1):
        inside = found[(found[:, 0] >= low) & (found[:, 0] < low + 0.1)]
        if len(inside) < 100:
            continue
        stated, right = inside.mean(axis=0)
        print(f"stated {stated:.3f}: right {right:.3f} of {len(inside)}")
        error = 3 * np.sqrt(stated * (1 - stated) / len(inside))
        assert abs(stated - right) < extra + error


def test_stated_places_are_right_as_often_as_said():
    """150 events, 750 places: three standard errors of the counts."""
    check(stated_and_right(150, 11), 0.0)


@pytest.mark.slow
def test_stated_places_over_2000_events():
    found = stated_and_right(2000, 12)
    check(found, 0.0)
    at_80 = found[(found[:, 0] >= 0.75) & (found[:, 0] < 0.85)]
    print(f"said 80 %: right {at_80[:, 1].mean():.3f} of {len(at_80)}")
    assert 0.77 <= at_80[:, 1].mean() <= 0.83


@pytest.mark.slow
def test_a_season_is_scored_in_time_that_grows_with_its_attempts():
    """10,000 attempts, 2,000 draws; twice the attempts take at most 2.6 times as long."""
    took = []
    for entries in (50, 100):
        rng = np.random.default_rng(1)
        names = [f"E{n}" for n in range(entries)]
        tests = "".join(RULES.replace('"tilt"', f'"t{t}"', 1) for t in range(5))
        bodies = [
            {"entry": name, "test": f"t{t}", "try_no": k + 1,
             "stand": {"id": f"s{t}", "revision": 1},
             "readings": tilt(float(rng.normal(45, 3)), 0.1, 0.1)}
            for name in names for t in range(5) for k in range(20)
        ]  # fmt: skip
        rules, saved = rules_of(sheet(tests, *names)), attempts(*bodies)
        start = time.perf_counter()
        result = score_attempts(rules, saved)
        took.append(time.perf_counter() - start)
        assert len(result.rows) == entries
    print(f"5,000: {took[0]:.2f} s, 10,000: {took[1]:.2f} s")
    assert took[1] < 2.6 * took[0]
    assert took[1] < 10.0  # about 5 s on an idle machine; twice that where it is shared
