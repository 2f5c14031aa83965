"""The screen of the work at a bench."""
