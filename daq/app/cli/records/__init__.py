"""Commands: records."""
