"""Other ranges: how quiet they are, what they would show, and which to choose.

aperture_distance : Aperture, aperture_error, least_distance, least_distance_of
array_alternatives : trade_off, what_would_work
array_design : ArrayDesign, ArrayTask, design_array, judged
array_field : array_field
array_errors : DrawnErrors, drawn_errors, expected_error_db
array_weights : quantised, synthesise
compact_range : ReflectedField, reflected_field
compare : Fit, RangeKind, RangeQuestion, RangeVerdict, compare_ranges
device_effect : DeviceEffect, device_effect
finite_distance : DistanceError, apparent_modes, distance_error, eirp_error_db
incident_field : IncidentField, PlaneWaves, RegularWaves, plane_wave_field, received
lengths : wavelength, far_field_distance, direct_length, edge_phase, free_space_loss_db, offset_errors_db,
    parallax, reflector_diameter, focal_length, array_elements, element_margin
physical_optics : Currents, has_plane_waves, plane_waves_of, radiated_field
plane_wave_array : Flatness, PlaneWaveArray, degrees_of_freedom, disc_array, flatness, square_array,
    plane_points, zone_points
quiet_zone : ZoneFigures, evaluate
reflector : Reflector, RolledRim, SerratedRim, SharpRim, reflector_currents, rolled_curve
reflector_feed : Feed
regular_waves : regular_waves, truncation_error_db
shown_pattern : ShownError, shown_error, shown_field
strongest_wave : StrayWave, strongest_wave
surface_errors : SurfaceErrors, required_rms, ruze_loss_db, surface_ripple
typical : typical_array, typical_reflector
zone : ProbedField, Zone, largest_zone
zone_waves : ZoneFit, fit_regular_waves, zone_degree
zone_formulas : Reflectivity, Spread, stray_level_db, ripple_db, phase_ripple, spread_db,
    amplitude_taper_error_db, phase_taper_error_db, quality_positions, quality_orientations, quality_spread,
    weighted_deviation, free_space_vswr
zone_limits : Verdict, ZoneLimits, judge
"""
