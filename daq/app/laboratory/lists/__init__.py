"""Lists of samples, their labels, and control charts."""
