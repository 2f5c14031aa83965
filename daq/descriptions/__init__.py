"""Instruments described in TOML files: no Python is needed for a new one."""
