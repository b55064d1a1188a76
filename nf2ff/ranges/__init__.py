"""Other ranges: what they would show."""
