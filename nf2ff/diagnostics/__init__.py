"""What a scan says of its set-up, of where in its box an antenna radiates, of what is in the chamber.

alignment.estimate : estimate_alignment
alignment.figures : FIGURES, FigureEffects, effects_on_figures
alignment.result : Alignment, Estimate, check_explained, terms_left
alignment.observability : Observability
alignment.pose_derivatives : MOTIONS, derivatives_by_pose
alignment.tie_cuts : TieCuts, tie_cuts
alignment.unlisted : Unlisted
aperture : aperture_field
array : Excitations, array_excitations
back_projection : Projection, back_project, plane_points, sphere_points
location : Location, locate, move_origin
mode_filter : FilteredModes, filter_modes
noise : coefficient_noise, result_noise, spectrum_noise, without_noise
origin : translate, radiation_centre, centre_uncertainty, minimum_sphere
parts : RadiatingParts, power_map, radiating_parts
surface : Surface, SurfaceField, read_surface, surface_field
"""
