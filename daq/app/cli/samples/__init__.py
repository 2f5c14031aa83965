"""Commands on samples and their worklist."""
