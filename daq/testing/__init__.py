"""daq.testing."""
