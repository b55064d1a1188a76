"""Uncertainty budgets by the GUM."""
