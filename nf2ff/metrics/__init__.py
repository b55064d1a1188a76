"""From modes and far field to the figures of merit.

beam : Peak, Sidelobes, peak, cut_planes, half_power_beamwidth, beamwidth, sidelobe_level
beam_set : BeamSet, Distribution, Envelope, envelope, envelope_of, solid_angles, distribution, percentile,
    fraction_above
comparison : Comparison, compare, fit_to
cuts : cut, cut_through, cuts_through
gain_transfer : GainTransfer, impedance_mismatch_factor, realised_gain_by_substitution,
    absolute_by_substitution, probe_of_known_gain
gain_and_power : intensity, directivity, eirp, trp, gain, realised_gain, radiation_efficiency,
    total_efficiency
level_cuts : LevelDifference, compare_levels
lobes : Discrimination, Nulls, Squint, first_nulls, front_to_back, squint, cross_polar_discrimination
phaseless : certified_samples, mark_certified
planes : Plane, read_plane, plane_of
polarisation : components, partial_directivity, axial_ratio, tilt_angle, sense
probe : probe_figures
regions : Cone, ThetaInterval, UPPER_HEMISPHERE, near_horizon, partial_radiated_power, radiated_fraction
result : Powers, Quantity, Result
transformation : transform_samples
"""
