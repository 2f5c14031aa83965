"""The publisher: delivers committed messages to the broker, each at least once."""
