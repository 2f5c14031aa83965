"""A first description from a capture."""
