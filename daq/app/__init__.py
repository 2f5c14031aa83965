"""daq.app."""
