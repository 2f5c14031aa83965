"""Serial devices, network ports and shared lines."""
