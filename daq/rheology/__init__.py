"""daq.rheology."""
