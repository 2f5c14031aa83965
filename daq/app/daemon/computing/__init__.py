"""Computations after a run, in a process of their own: what is computed, the process, and the daemon's end of it."""
