"""Drawings as SVG and as text: flow curves, control charts, labels."""
