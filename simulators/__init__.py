"""Seeded physical models that answer bytes with bytes."""
