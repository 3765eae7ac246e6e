"""Uncertainty: budgets, Monte Carlo, intervals, least squares, tolerance limits."""
