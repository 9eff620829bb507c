"""Angles of a model with their intervals and budgets: what readings and plans share."""

from __future__ import annotations

import math

import numpy as np

from clipmark.measure.advice import advice_for
from clipmark.measure.angle_model import AngleModel
from clipmark.measure.values import Value
from clipmark.measure.view import Picture
from clipmark.uncertainty.budget import Budget, Contribution

DRAWS = 20_000  # the ends of a 95 % interval then scatter by about 1 % of its length
BUDGET_DRAWS = 4_000  # a single source's share, good to about 1 %
SEED = 20_260_501
NEGLIGIBLE_DEG = 1e-7


def solve_angles(
    model: AngleModel, picture: Picture, seed: int, draws: int, budget_draws: int
) -> tuple[
    dict[str, Value],
    dict[str, list[dict[str, str | float | None]]],
    dict[str, dict[str, float | None]],
]:
    """Estimate, intervals, budget, and the linear result beside them, in degrees."""
    estimate = model.estimate_rad()
    drawn = model.draw_rad(seed, draws)
    values = {
        name: Value.from_samples(math.degrees(estimate[name]), np.degrees(drawn[name]))
        for name in estimate
    }
    if not budget_draws:
        return values, {}, {}
    shares: dict[str, list[Contribution]] = {name: [] for name in estimate}
    for source in model.sources():
        alone = model.draw_rad(seed + 1, budget_draws, source.name)
        advice = advice_for(source, model, picture)
        for name in estimate:
            # About the estimate, not the mean: a source that only ever pushes one way counts.
            off = np.degrees(alone[name]) - math.degrees(estimate[name])
            u_deg = float(np.sqrt(np.mean(off**2)))
            if u_deg > NEGLIGIBLE_DEG:
                shares[name].append(
                    Contribution(source.name, source.kind, u_deg, source.dof, advice)
                )
    budgets = {name: Budget.of(items) for name, items in shares.items()}
    linear: dict[str, dict[str, float | None]] = {
        f"{name}_deg": {
            "u_deg": budget.u,
            "dof": budget.dof if math.isfinite(budget.dof) else None,
            "k": budget.k(),
            "u95_deg": budget.expanded(),
        }
        for name, budget in budgets.items()
    }
    return values, {f"{name}_deg": budgets[name].rows("deg") for name in budgets}, linear
