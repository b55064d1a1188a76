"""Words, tables and pictures.

box_plots : box_map, excitation_map, filter_effect, surface_map
budget : budget_dict, budget_lines, budget_rows
comparison : comparison_facts, comparison_lines, level_facts, level_lines
comparison_plots : comparison_cuts, level_comparison
describe : describe
growth : growth_dict, growth_lines
over_frequency : Row, frequency_table
pattern_plots : balloon, level_distribution, pattern_map, peak_cuts, peak_polar
plan : plan_facts, plan_lines, tolerance_facts, tolerance_lines
plots : polar_cuts, power_spectrum, principal_cuts
power_plots : power_overview
quiet_zone : zone_facts, zone_lines
result : result_facts
scan_plots : near_field, over_frequency
total_power : Totals, power_totals, sensitivity_totals, total_facts, total_rows
uncertainty : uncertainty_dict, uncertainty_lines
uncertainty_plots : cuts_with_bars, growth_of_errors, growth_of_level, growth_overview
zone_plots : zone_overview
"""
