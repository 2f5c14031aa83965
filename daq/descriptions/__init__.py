"""Instruments described in TOML files; a new instrument needs no Python."""
