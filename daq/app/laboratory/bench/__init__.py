"""The work at a bench through a shift: its state, repeats and the handover."""
