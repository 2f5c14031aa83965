"""Rheology as pure functions: geometries, torque range, fluids, temperature, flow curves, uncertainty.

Import from the modules; importing one does not import numpy or scipy.  Units are SI unless a name says otherwise.
"""
