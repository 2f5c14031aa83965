"""Laboratory balance, polled or printing when its key is pressed."""

from pathlib import Path

DESCRIPTION = Path(__file__).with_name("balance.toml")
