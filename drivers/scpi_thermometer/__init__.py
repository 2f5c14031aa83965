"""Two-probe thermometer with SCPI commands (SCPI-1999, IEEE 488.2)."""

from pathlib import Path

DESCRIPTION = Path(__file__).with_name("scpi-thermometer.toml")
