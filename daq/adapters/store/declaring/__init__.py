"""The declaration of a run: at its start with its configuration, and anew by a correction."""
