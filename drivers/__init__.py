"""Built-in drivers, one folder each."""
