"""What an antenna radiates: modes, fields, and antennas whose fields are known in closed form.

closed_form : near_field, far_field_of, radiated_power_of
dipoles : DipoleCluster, SinusoidalWire, array_of, line_array, huygens_source, line_source,
    rectangular_aperture, circular_aperture
expansion : Expansion, expand_far_field, expand_ports, modes_from_far_field
far_field : FarField, FarFieldBlocks, far_field, far_field_blocks, trusted_around
fields : far_field_points, near_field_points
grids : Grid, Rule, equiangular_grid, gauss_legendre_grid, grid_for_degree
modes : Modes, SPEED_OF_LIGHT, WAVE_IMPEDANCE, wavenumber, mode_count, mode_index, mode_numbers,
    required_degree, rotate, average_modes
points : PointSet, equal_area_spiral, equal_area_spiral_for_degree, constant_rate_spiral,
    constant_rate_spiral_for_degree, constant_density, random_points, jittered, largest_gap
"""
