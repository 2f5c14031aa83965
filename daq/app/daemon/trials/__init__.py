"""Trials of an instrument that has no driver yet: a process of its own, and the file with its findings."""
