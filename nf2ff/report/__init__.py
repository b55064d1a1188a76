"""Words, tables and pictures.

box_plots : box_map, excitation_map, filter_effect, surface_map
describe : describe
design_plots : array_overview
pattern_plots : balloon, level_distribution, pattern_map, peak_cuts
plan_plots : plan_overview
plots : polar_cuts, power_spectrum, principal_cuts
power_plots : power_overview
scan_plots : near_field, over_frequency
uncertainty_plots : cuts_with_bars, growth_of_errors, growth_of_level, growth_overview
zone_plots : zone_overview
"""
