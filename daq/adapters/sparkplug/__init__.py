"""An edge node of Sparkplug B 3.0: payloads, life cycle of the node and its devices, and the connection."""
