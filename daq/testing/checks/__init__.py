"""The checks of the conformance kit."""
