"""Helpers that tests of several folders share.  A test module imports from here or from a helper of its folder, never from a test module."""
