"""Bringing up an instrument: capture, trial, simulation, diagnosis, demonstration."""
