"""Text and drawings for a person; pure, nothing is read or written here."""
