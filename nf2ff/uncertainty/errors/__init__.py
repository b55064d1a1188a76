"""What can be wrong with a scan, term by term."""
