"""Crossed gauge study by analysis of variance: how much of all scatter is the markers'.

Every marker marks every part (here: every attempt), each the same number of times. The scatter is
split into repeatability (one marker, again), reproducibility (another marker, and how markers and
parts go together), and the parts themselves: AIAG, *Measurement Systems Analysis*, 4th ed. (2010).
The intervals of the components are modified large-sample ones (`variance_parts`). Repeatability
and reproducibility limits are those of ISO 5725-6:1994, 4.1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from clipmark.uncertainty.variance_parts import Estimate, MeanSquare, Term, combined_variance

FloatArray = NDArray[np.float64]
POOL_ABOVE = 0.25  # p of the interaction from which on it is counted as repeatability
APART = 1.96 * math.sqrt(2.0)  # ISO 5725: two single results differ by less in 95 % of cases
CATEGORIES = 1.41  # of the manual, for sqrt(2)
COMPONENTS = ("repeatability", "markers", "interaction", "reproducibility", "grr", "part", "total")


@dataclass(frozen=True)
class AnovaRow:
    """One line of the analysis: sum of squares, degrees of freedom, mean square, F and its p.

    F and p are None where nothing is tested.
    """

    source: str
    ss: float
    dof: int
    ms: float
    f: float | None = None
    p: float | None = None


@dataclass(frozen=True)
class GaugeStudy:
    """What a crossed study gave.

    Attributes
    ----------
    parts, markers, repeats : int
    anova : tuple of AnovaRow
        Parts, markers, interaction, repeatability, total; without repeats the interaction cannot
        be told from repeatability and stands in its line.
    pooled : bool
        Whether the interaction was counted as repeatability.
    why : str
        Why it was or was not, one sentence.
    variances : dict of str to Estimate
        Keyed by `COMPONENTS`, in the unit squared: never below 0; without ``interaction`` where
        it was pooled. ``grr`` is repeatability and reproducibility together; its root is the
        reproducibility standard deviation of ISO 5725.
    negative : dict of str to float
        Components that came out below 0 and stand as 0, with what came out.
    """

    parts: int
    markers: int
    repeats: int
    anova: tuple[AnovaRow, ...]
    pooled: bool
    why: str
    variances: dict[str, Estimate]
    negative: dict[str, float]

    def sd(self, component: str) -> Estimate:
        """Standard deviation of a component."""
        return self.variances[component].root()

    def percent(self, component: str) -> float:
        """Its standard deviation in percent of that of all values; these do not add up to 100."""
        total = self.sd("total").value
        return 100.0 * self.sd(component).value / total if total > 0 else math.nan

    @property
    def categories_raw(self) -> float:
        """Number of distinct categories before cutting off; infinite without marking scatter."""
        grr = self.sd("grr").value
        return CATEGORIES * self.sd("part").value / grr if grr > 0 else math.inf

    @property
    def categories(self) -> int | None:
        """How many groups of parts the markers can tell apart, at least 1; None is without end."""
        raw = self.categories_raw
        return max(1, math.floor(raw)) if math.isfinite(raw) else None

    @property
    def repeatability_limit(self) -> Estimate:
        """Two markings of one thing by one marker differ by less in 95 % of cases (ISO 5725)."""
        return self.sd("repeatability").times(APART)

    @property
    def reproducibility_limit(self) -> Estimate:
        """Two markings of one thing by two markers differ by less in 95 % of cases (ISO 5725)."""
        return self.sd("grr").times(APART)


def gauge_study(readings: ArrayLike, *, pool: bool | None = None) -> GaugeStudy:
    """Crossed study by analysis of variance, all effects random.

    Parameters
    ----------
    readings : array_like, shape (parts, markers, repeats)
        At least 2 parts and 2 markers; one repeat is enough, but then repeatability and
        interaction cannot be told apart.
    pool : bool, optional
        Count the interaction as repeatability, or not. When not given it is, where its p is above
        `POOL_ABOVE`; a negative component always has such a p.

    Raises
    ------
    ValueError
        If the table has holes or is too small.
    """
    values = np.asarray(readings, dtype=np.float64)
    if values.ndim != 3 or min(values.shape[:2], default=0) < 2 or values.shape[2] < 1:
        raise ValueError(
            "a gauge study needs at least 2 attempts and 2 markers, each marking each attempt, not "
            f"a table of shape {values.shape}"
        )
    if not np.isfinite(values).all():
        raise ValueError(
            "the table has holes: every marker must have marked every attempt equally often"
        )
    parts, markers, repeats = values.shape
    part, marker, crossed, error, total = _analyse(values)
    pooled, why = _pooling(crossed, repeats, pool)
    if pooled:
        together = AnovaRow("", crossed.ss + error.ss, crossed.dof + error.dof, 0.0)
        base = MeanSquare(together.ss / together.dof, together.dof)
        against = base
    else:
        base, against = MeanSquare(error.ms, error.dof), MeanSquare(crossed.ms, crossed.dof)
    of_part, of_marker = MeanSquare(part.ms, part.dof), MeanSquare(marker.ms, marker.dof)
    n_part, n_marker = markers * repeats, parts * repeats
    terms: dict[str, list[Term]] = {
        "repeatability": [(1.0, base)],
        "markers": [(1 / n_marker, of_marker), (-1 / n_marker, against)],
        "part": [(1 / n_part, of_part), (-1 / n_part, against)],
    }
    if pooled:
        terms["reproducibility"] = terms["markers"]
        terms["grr"] = [(1 / n_marker, of_marker), (1 - 1 / n_marker, base)]
        rest: list[Term] = [(1 - 1 / n_marker - 1 / n_part, base)]
    else:
        terms["interaction"] = [(1 / repeats, against), (-1 / repeats, base)]
        share = (parts - 1) / n_marker
        terms["reproducibility"] = [
            (1 / n_marker, of_marker), (share, against), (-1 / repeats, base),
        ]  # fmt: skip
        terms["grr"] = [(1 / n_marker, of_marker), (share, against), (1 - 1 / repeats, base)]
        rest = [(share - 1 / n_part, against), (1 - 1 / repeats, base)]
    terms["total"] = [(1 / n_part, of_part), (1 / n_marker, of_marker), *rest]
    raw = {name: combined_variance(items) for name, items in terms.items()}
    rows = (part, marker, crossed, error, total) if repeats > 1 else (part, marker, crossed, total)
    negative: dict[str, float] = {
        name: raw[name].value
        for name in ("markers", "interaction", "part")
        if name in raw and raw[name].value < 0
    }
    return GaugeStudy(parts, markers, repeats, rows, pooled, why, _never_below_0(raw), negative)


def planned_limit(study: GaugeStudy, markers: int) -> Estimate:
    """Reproducibility limit that more markers would give, were the scatter as it was found.

    Parameters
    ----------
    study : GaugeStudy
        Its components are taken for the truth; parts and repeats stay.
    markers : int
        At least 2.

    Returns
    -------
    Estimate
        The same limit, with the interval that a study of expected mean squares would give.
    """
    parts, repeats = study.parts, study.repeats
    base, marker = study.variances["repeatability"].value, study.variances["markers"].value
    crossed_dof, error_dof = (parts - 1) * (markers - 1), parts * markers * (repeats - 1)
    crossed = base
    if not study.pooled:
        crossed += repeats * study.variances["interaction"].value
    n_marker = parts * repeats
    terms: list[Term] = [(1 / n_marker, MeanSquare(crossed + n_marker * marker, markers - 1))]
    if study.pooled:
        terms.append((1 - 1 / n_marker, MeanSquare(base, crossed_dof + error_dof)))
    else:
        terms.append(((parts - 1) / n_marker, MeanSquare(crossed, crossed_dof)))
        terms.append((1 - 1 / repeats, MeanSquare(base, error_dof)))
    return combined_variance(terms).root().times(APART)


def _analyse(values: FloatArray) -> tuple[AnovaRow, AnovaRow, AnovaRow, AnovaRow, AnovaRow]:
    """Two-way analysis of variance with repeats, balanced."""
    parts, markers, repeats = values.shape
    centred = values - np.mean(values)
    cells = centred.mean(axis=2)
    rows, columns = cells.mean(axis=1), cells.mean(axis=0)
    squares = {
        "part": markers * repeats * float(rows @ rows),
        "marker": parts * repeats * float(columns @ columns),
        "crossed": repeats * float(np.sum((cells - rows[:, None] - columns) ** 2)),
        "error": float(np.sum((centred - cells[:, :, None]) ** 2)),
        "total": float(np.sum(centred**2)),
    }
    dofs = {
        "part": parts - 1,
        "marker": markers - 1,
        "crossed": (parts - 1) * (markers - 1),
        "error": parts * markers * (repeats - 1),
        "total": values.size - 1,
    }
    ms = {name: squares[name] / dofs[name] if dofs[name] else 0.0 for name in squares}

    def row(name: str, words: str, below: str | None = None) -> AnovaRow:
        f = p = None
        if below is not None and ms[below] > 0:
            f = ms[name] / ms[below]
            p = float(scipy.stats.f.sf(f, dofs[name], dofs[below]))
        return AnovaRow(words, squares[name], dofs[name], ms[name], f, p)

    return (
        row("part", "attempts", "crossed"),
        row("marker", "markers", "crossed"),
        row("crossed", "interaction" if repeats > 1 else "residual", "error"),
        row("error", "repeatability"),
        row("total", "total"),
    )


def _pooling(crossed: AnovaRow, repeats: int, pool: bool | None) -> tuple[bool, str]:
    if repeats == 1:
        return True, (
            "each marker marked each attempt once, so repeatability and interaction cannot be told "
            "apart and stand together"
        )
    p = crossed.p
    found = "has no test, since all repeats are equal" if p is None else f"has p = {p:.3f}"
    pooled = pool if pool is not None else p is not None and p > POOL_ABOVE
    if pooled:
        return True, f"the interaction {found} and was counted as repeatability"
    return False, f"the interaction {found} and was kept apart"


def _never_below_0(raw: dict[str, Estimate]) -> dict[str, Estimate]:
    """Components of at least 0; sums are those of their components, as the manual has it."""
    kept = {name: Estimate(*(max(x, 0.0) for x in _parts(item))) for name, item in raw.items()}
    both = kept["markers"].value
    if "interaction" in kept:
        both += kept["interaction"].value
    kept["reproducibility"] = _around(kept["reproducibility"], both)
    grr = both + kept["repeatability"].value
    kept["grr"] = _around(kept["grr"], grr)
    kept["total"] = _around(kept["total"], grr + kept["part"].value)
    return {name: kept[name] for name in COMPONENTS if name in kept}


def _parts(item: Estimate) -> tuple[float, float, float]:
    return item.value, item.low, item.high


def _around(item: Estimate, value: float) -> Estimate:
    """The interval with another value in it; wider where the value lies outside."""
    return Estimate(value, min(item.low, value), max(item.high, value))
