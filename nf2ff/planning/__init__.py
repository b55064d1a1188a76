"""Before the measurement: degree and steps, time, distance."""
