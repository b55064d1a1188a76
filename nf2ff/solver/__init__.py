"""From samples to modes."""
