"""Draws of the points that a row gets in a test, from the uncertainty of every reading."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from clipmark.scoring.drift import Drift
from clipmark.scoring.measured import Measured
from clipmark.scoring.points import draws_of_grades, draws_of_values
from clipmark.scoring.rules import Rules, TestScoring
from clipmark.scoring.taken import Taken

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
DRAWS = 2_000
SEED = 20_261_126


class Draws:
    """Draws of one scoring: shared offsets once for each stand and lens, own parts each reading."""

    def __init__(self, rules: Rules, draws: int, seed: int) -> None:
        self.rules, self.draws, self.seed = rules, draws, seed
        self._shared: dict[tuple[str, str], FloatArray] = {}
        self.unit = float(rules.points_to)

    def shared(self, key: tuple[str, str]) -> FloatArray:
        """Standard normal draws of one shared source; the same whatever was drawn before."""
        if key not in self._shared:
            self._shared[key] = self._rng("shared", *key).standard_normal(self.draws)
        return self._shared[key]

    def _rng(self, *names: str) -> np.random.Generator:
        digest = hashlib.sha256("\0".join(names).encode()).digest()[:8]
        return np.random.default_rng([self.seed, int.from_bytes(digest, "big")])

    def values(self, row: str, test: str, items: Sequence[tuple[Taken, Measured]],
               drift: Drift | None) -> FloatArray:  # fmt: skip
        """Drawn values of readings, shape (k, draws)."""
        own = np.array([m.own_u for _, m in items])[:, None]
        found = np.array([m.value for _, m in items])[:, None] + np.zeros((1, self.draws))
        if own.any():
            z = self._rng("own", row, test).standard_normal((len(items), self.draws))
            found = found + own * z
        for at, (taken, measured) in enumerate(items):
            for key, u in measured.shared:
                found[at] += u * self.shared(key)
            if drift is not None:
                found[at] -= drift.at(taken.run, self.shared(("drift", test)))
        lowest = np.array([0.0 if m.from_0 else -np.inf for _, m in items])[:, None]
        return np.asarray(np.maximum(found, lowest), dtype=np.float64)

    def points(
        self, row: str, test: TestScoring, taken: Sequence[Taken], drift: Drift | None
    ) -> IntArray:
        """Drawn points of the tries in whole units of the sheet's smallest step, shape (draws,)."""
        each = np.empty((len(taken), self.draws))
        read = [
            (at, t, t.measured)
            for at, t in enumerate(taken)
            if t.measured is not None and test.measured
        ]
        for at, t in enumerate(taken):
            each[at] = float(t.points or 0)
        if read:
            values = self.values(row, test.id, [(t, m) for _, t, m in read], drift)
            graded = test.kind == "smoothness" and test.score_by == "grade"
            each[[at for at, _, _ in read]] = (
                draws_of_grades(test, values) if graded else draws_of_values(test, values)
            )
        highest = self.rules.better == "highest"
        return self._units(reduced(np.rint(each / self.unit), test, highest))

    def certain(self, points: float) -> IntArray:
        """The same points in every draw."""
        return np.full(self.draws, round(points / self.unit), dtype=np.int64)

    def _units(self, points: FloatArray) -> IntArray:
        return np.rint(points).astype(np.int64)


def reduced(points: FloatArray, test: TestScoring, highest: bool) -> FloatArray:
    """The tries that count, made into one: shape (k, draws) to (draws,)."""
    if test.counted == "first":
        return np.asarray(points[0])
    if test.counted == "last":
        return np.asarray(points[-1])
    if not test.drop_tries:  # no need to sort
        if test.counted in ("best", "worst"):
            most = (test.counted == "best") == highest
            return np.asarray(points.max(axis=0) if most else points.min(axis=0))
        whole = points.sum(axis=0)
        return np.asarray(whole / len(points) if test.counted == "mean" else whole)
    ordered = np.sort(points, axis=0)
    if highest:
        ordered = ordered[::-1]  # best first
    ordered = ordered[: max(len(ordered) - test.drop_tries, 1)]
    if test.counted == "best":
        return np.asarray(ordered[0])
    if test.counted == "worst":
        return np.asarray(ordered[-1])
    whole = ordered.sum(axis=0)
    return np.asarray(whole / len(ordered) if test.counted == "mean" else whole)
