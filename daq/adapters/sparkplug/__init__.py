"""Sparkplug B 3.0, the part of an edge node: payloads, the life of a node and its devices, and the connection."""
