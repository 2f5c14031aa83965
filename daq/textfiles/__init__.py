"""The files that people write: opened in one place, within bounds of size, depth and time."""
