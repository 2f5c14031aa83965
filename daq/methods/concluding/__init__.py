"""From the facts of a run to value, uncertainty, validity, verdict and advice."""
