"""Trials of an instrument without a driver, from the page."""
