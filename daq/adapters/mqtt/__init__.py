"""Brokers: connection, settings, topics, and one inside the process."""
