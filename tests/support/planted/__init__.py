"""Drivers and descriptions with planted faults, and the good ones they are made of: for the kit's tests and the campaigns."""
