"""Files: native, CSV, TOML, pattern files.

antenna_toml : read_antenna
budget_toml : read_budget, template_text
growth : read_growth, write_growth
growth_toml : StudyFile, read_study_file, study_template
level_toml : read_gain_transfer, read_level
levels : write_cuts, write_levels
mapping : read_mapped
native : file_kind, read_far_field, read_modes, read_probe, read_provenance, read_result, read_samples,
    write_far_field, write_modes, write_probe, write_result, write_samples
nsma : NsmaCut, NsmaPattern, write_nsma
nsma_cuts : nsma_pattern
nsma_reader : read_nsma
plan_points : write_points
plan_toml : plan_template, read_plan, read_tolerances
power_tables : read_power_table, read_sensitivity_table
power_weights : write_weights
probe : load_probe
radiation : read_radiation
report_toml : read_report_meta, report_template
safe : provenance
tables : Pattern, read_pattern, read_table, write_pattern, write_table
uncertainty : read_uncertainty, write_uncertainty
uncertainty_toml : UncertaintyFile, figures_of, read_uncertainty_file, uncertainty_template
zone_table : read_probed_fields
"""
