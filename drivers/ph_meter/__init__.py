"""pH meter that streams with decimal commas."""

from pathlib import Path

DESCRIPTION = Path(__file__).with_name("ph-meter.toml")
