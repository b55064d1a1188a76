"""How sure the figures are."""
