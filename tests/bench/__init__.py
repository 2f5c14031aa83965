"""Benchmarks with figures and ratios measured in one run: ``python -m tests.bench``.  They print and check nothing."""
