"""What a scan says of its own set-up, from its redundancy: begin at `estimate`."""
