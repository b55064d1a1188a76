"""Other ranges: how quiet they are, and what they would show."""
