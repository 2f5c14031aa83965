"""Campaign: how often the stated uncertainty interval holds the true value, over thousands of simulated instruments with different errors."""
