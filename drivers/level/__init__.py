"""Level sensor that sends sentences in the style of NMEA 0183."""

from pathlib import Path

DESCRIPTION = Path(__file__).with_name("level.toml")
