"""What a scan says of the antenna: from where in its box it radiates, and what else is in the chamber.

back_projection : Projection, back_project, coefficient_noise, plane_points, sphere_points
mode_filter : FilteredModes, filter_modes
origin : translate, radiation_centre, minimum_sphere
parts : RadiatingParts, power_map, radiating_parts
"""
