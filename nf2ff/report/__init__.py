"""Words, tables and pictures."""
