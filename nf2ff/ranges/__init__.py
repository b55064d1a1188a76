"""Other ranges: how quiet they are, and what they would show.

finite_distance : DistanceError, apparent_modes, distance_error, eirp_error_db
incident_field : IncidentField, PlaneWaves, RegularWaves, plane_wave_field, received
array_errors : DrawnErrors, drawn_errors, expected_error_db
plane_wave_array : Flatness, PlaneWaveArray, degrees_of_freedom, disc_array, flatness, square_array,
    synthesise, zone_points
quiet_zone : ZoneFigures, evaluate
regular_waves : regular_waves, truncation_error_db
shown_pattern : ShownError, shown_error, shown_field
zone : ProbedField, Zone, largest_zone
zone_fit : ZoneFit, fit_regular_waves, zone_degree
zone_formulas : Reflectivity, Spread, stray_level_db, ripple_db, phase_ripple, spread_db,
    amplitude_taper_error_db, phase_taper_error_db, quality_positions, quality_orientations, quality_spread,
    weighted_deviation, free_space_vswr
zone_limits : Verdict, ZoneLimits, judge
"""
