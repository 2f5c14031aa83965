"""Bench multimeter with SCPI commands (SCPI-1999, IEEE 488.2): one description for each function it is set to."""

from pathlib import Path

VOLTAGE = Path(__file__).with_name("voltage.toml")
RESISTANCE = Path(__file__).with_name("resistance.toml")
