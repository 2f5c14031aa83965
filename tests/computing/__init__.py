"""Computations after a run, in a process of their own."""
