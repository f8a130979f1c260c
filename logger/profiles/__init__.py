"""Example cell profiles: TOML files to copy and change. No sensor of any maker is meant."""
