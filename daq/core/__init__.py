"""daq.core."""
