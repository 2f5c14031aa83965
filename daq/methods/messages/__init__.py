"""The payloads of all messages, as models."""
