"""The publisher: committed messages to the broker, at least once."""
