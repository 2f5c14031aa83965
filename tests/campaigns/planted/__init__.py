"""Planted faults: wrong drivers in Python and wrong descriptions, each found by the kit or with the reason why not."""
