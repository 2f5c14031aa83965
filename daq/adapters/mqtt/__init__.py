"""Connections to MQTT brokers: settings, topics, the connection, and a broker inside the process."""
