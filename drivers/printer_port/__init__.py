"""Generic driver of the printer port of scales: a line with number and unit whenever the key is pressed."""

from pathlib import Path

DESCRIPTION = Path(__file__).with_name("printer-port.toml")
