"""Before the measurement: degree and steps, time, distance.

axes : Axis, Positioner, Receiver
degree : DegreeChoice, Spectrum, choose_degree, customary_degree, power_above_db, scan_grid
distance : Link, check_distance, reactive_radius
enclosure : Part, best_centre, minimum_radius
plan : Plan, ScanRequest, make_plan
scan_time : Schedule, schedule, schedules
tolerances : Tolerance, Wish, planned_solution, tolerances, checked_by_draws
"""
