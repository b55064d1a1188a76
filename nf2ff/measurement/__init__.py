"""What was measured, where, with which probe, and at which level."""
