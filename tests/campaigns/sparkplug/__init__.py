"""Campaign: a Sparkplug node is killed at random moments; no result may be missing."""
