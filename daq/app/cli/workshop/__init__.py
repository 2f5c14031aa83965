"""Commands: workshop."""
