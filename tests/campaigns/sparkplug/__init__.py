"""Kills a Sparkplug node at random; no result may be missing."""
