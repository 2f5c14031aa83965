"""Frames with what changes on all benches, and the order in which runs are viewed for them."""
