"""Rotational instrument that streams columns and reports a viscosity of its own."""

from pathlib import Path

DESCRIPTION = Path(__file__).with_name("streaming-rotational.toml")
