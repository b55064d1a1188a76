"""The report as one page for the browser: begin at `assemble`."""
