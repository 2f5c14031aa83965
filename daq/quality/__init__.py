"""daq.quality."""
