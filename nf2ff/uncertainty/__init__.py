"""How sure the figures are.

assess : assess
derivatives : FirstOrder, linearised
draws : Draws, monte_carlo
figure : Figure
growth : Growth, Shown, shown_for, sweep, sweep_sizes
level_interval : level_interval
phase_groups : ReadingSet, sweep_phase_groups
request : Assessment, Cut, FIGURES, ModelledError
result : DrawComparison, MetricResult, PatternDraws, Uncertainty
simulated_scan : SimulatedScan
stated : stated, stated_decibels
"""
