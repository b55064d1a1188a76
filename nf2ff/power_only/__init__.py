"""Scans of power without phase: TRP, TIS and the peak."""
