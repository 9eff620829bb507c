"""Standard competition ranking and place probabilities, against outside numbers and libraries.

The patterns 1224 and its like as commonly defined; probabilities of the order of three normal
scores by integration (normal theory).
"""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import rankdata

from clipmark.scoring.ranks import competition_places, place_shares
from tests.scoring.invented import score, sheet, tilt


def places(scores, highest=True):
    totals = np.array(scores, dtype=np.int64)[:, None]
    return competition_places(totals, np.zeros(len(scores), np.int64), highest)[:, 0].tolist()


@pytest.mark.parametrize(
    ("scores", "expected"),
    [
        ([40, 30, 30, 20], [1, 2, 2, 4]),
        ([10, 10, 10, 7, 7, 1], [1, 1, 1, 4, 4, 6]),
        ([5, 4, 4, 4, 3], [1, 2, 2, 2, 5]),
        ([2, 2, 2, 2], [1, 1, 1, 1]),
    ],
)
def test_the_published_patterns(scores, expected):
    assert places(scores) == expected


def test_as_pandas_and_scipy_rank_them():
    rng = np.random.default_rng(5)
    for _ in range(200):
        scores = rng.integers(-5, 6, rng.integers(1, 12))
        assert places(scores, highest=False) == rankdata(scores, method="min").tolist()
        series = pd.Series(scores)
        assert places(scores) == series.rank(method="min", ascending=False).tolist()


def test_place_probabilities_of_three_normal_scores():
    """A 10.0 (u 0.5), B 9.5 (0.4), C 8.0 (1.0): integrated; four standard errors of the draws."""
    means, us = np.array([10.0, 9.5, 8.0]), np.array([0.5, 0.4, 1.0])
    draws = 200_000
    z = np.random.default_rng(1).standard_normal((3, draws))
    totals = np.rint((means[:, None] + us[:, None] * z) * 1e9).astype(np.int64)
    shares = place_shares(competition_places(totals, np.zeros(3, np.int64), True))
    expected = np.array(
        [
            [0.763879, 0.217983, 0.018138],
            [0.208612, 0.718362, 0.073026],
            [0.027508, 0.063655, 0.908836],
        ]
    )
    assert np.all(np.abs(shares - expected) < 4 * np.sqrt(expected * (1 - expected) / draws))


def test_the_same_through_a_whole_event():
    """Readings of one value a point; 20,000 draws."""
    rules = '[[test]]\nid = "t"\nkind = "reading"\nmeasure = "tilt_deg"\n'
    result = score(
        sheet(rules, "A", "B", "C", event="points_to = 0.000001"),
        {"entry": "A", "test": "t", "readings": tilt(10.0, 0.5)},
        {"entry": "B", "test": "t", "readings": tilt(9.5, 0.4)},
        {"entry": "C", "test": "t", "readings": tilt(8.0, 1.0)},
        draws=20_000,
    )
    p = np.array([row.place_p for row in result.rows])
    assert np.allclose(np.diag(p), [0.763879, 0.718362, 0.908836], atol=4 * 0.0032)
    assert "B" in result.row("A").not_separated_from
