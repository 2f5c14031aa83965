"""Figures and ratios, measured in one run: ``python -m tests.bench``.  It prints; it never passes or fails."""
