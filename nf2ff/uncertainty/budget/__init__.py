"""Uncertainty budgets by the GUM.

budget : Budget, Curvature, with_terms
combine : CombinedUncertainty, combine, coverage_factor
metric : METRICS, Metric, interval_db
budget_term : DrawSummary, Term, direct_term, drawn_term, judged_degrees_of_freedom, summarise_draws
"""
