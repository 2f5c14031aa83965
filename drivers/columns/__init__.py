"""Logger of two temperatures in plain columns."""

from pathlib import Path

DESCRIPTION = Path(__file__).with_name("columns.toml")
