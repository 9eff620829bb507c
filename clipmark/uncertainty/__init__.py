"""Pure uncertainty: budget, propagation (GUM and Monte Carlo), intervals, coverage factors."""
