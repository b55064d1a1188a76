"""What was measured, where, with which probe, and at which level.

coherence : with_coherence
level_chain : LevelChain, apply_level
level_steps : LevelStep, MismatchStep
orientation : device_frame, merge_samples
probe : Probe, field_probe, probe_from_modes, at_frequencies, mounted, keep_orders, drop_weak_orders
probe_models : electric_dipole, magnetic_dipole, huygens_source, cosine_pattern, principal_planes, modes_of,
    dual_port
samples : Samples
simulated : simulate, simulate_grid, receive
waveguides : rectangular_waveguide, circular_waveguide
"""
