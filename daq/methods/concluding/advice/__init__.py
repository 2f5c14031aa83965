"""Advice on the next measurement, and the search for a speed."""
