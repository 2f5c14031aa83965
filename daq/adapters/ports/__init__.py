"""Serial devices, network ports and lines that several instruments share."""
