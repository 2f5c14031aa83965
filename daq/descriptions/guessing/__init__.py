"""Make a first description from a capture."""
