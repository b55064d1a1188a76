"""Files: native, CSV, TOML, pattern files.

alignment_toml : read_alignment_file, write_terms
antenna_toml : read_antenna
box_tables : read_places, write_excitations, write_parts, write_projection
budget_toml : read_budget
design_toml : read_design
growth : read_growth, write_growth
level_toml : read_gain_transfer, read_level
levels : write_cuts, write_levels
mapping : read_mapped
native : file_kind, read_far_field, read_far_field_blocks, read_modes, read_probe, read_provenance,
    read_result, read_samples, write_far_field, write_modes, write_probe, write_result, write_samples
nsma : NsmaCut, NsmaPattern, write_nsma
nsma_cuts : nsma_pattern
nsma_reader : read_nsma
plan_toml : read_plan
power_tables : read_power_table, read_sensitivity_table
probe : load_probe
radiation : read_seen
report_toml : read_report_meta
safe : provenance
tables : Pattern, read_pattern, read_table, write_pattern, write_table
uncertainty : read_uncertainty, write_uncertainty
zone_table : read_probed_fields
"""
