"""Commands: delivery."""
