"""Drivers and simulated instruments, built in and written for tests."""
