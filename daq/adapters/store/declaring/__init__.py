"""How a run is declared: at its start with its configuration, and anew by a correction."""
