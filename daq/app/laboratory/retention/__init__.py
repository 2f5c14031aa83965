"""Acts that move the journals of old runs to archives."""
