"""Tokens by which programs use the page's interface, without a person."""
