"""Files: native, CSV, TOML, pattern files."""
