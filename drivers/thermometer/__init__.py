"""External thermometer: one line a second, unasked."""

from pathlib import Path

DESCRIPTION = Path(__file__).with_name("thermometer.toml")
