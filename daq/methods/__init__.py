"""daq.methods."""
