"""Generic rotational instrument: asked or streaming, CRC on every line."""

from pathlib import Path

DESCRIPTION = Path(__file__).with_name("rotational.toml")
