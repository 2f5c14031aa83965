"""Commands: setup."""
