"""Words, tables and pictures.

alignment_plots : alignment_overview
box_plots : box_map, excitation_map, filter_effect, surface_map
budget : budget_dict, budget_lines, budget_rows
comparison_plots : comparison_cuts, level_comparison
describe : describe
design_plots : array_overview
page.assemble : report_page
page.inputs : ReportInput
pattern_plots : balloon, level_distribution, pattern_map, peak_cuts, peak_polar
plan_plots : plan_overview
plots : polar_cuts, power_spectrum, principal_cuts
power_plots : power_overview
scan_plots : near_field, over_frequency
uncertainty_plots : cuts_with_bars, growth_of_errors, growth_of_level, growth_overview
zone_plots : zone_overview
"""
