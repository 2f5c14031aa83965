"""A Sparkplug link in this process, and a host that checks every message."""
