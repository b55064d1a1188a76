"""From modes and far field to the figures of merit."""
