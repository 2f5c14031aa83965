"""daq.adapters."""
