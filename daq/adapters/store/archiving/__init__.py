"""Archives of runs: files that hold the journals of old runs, written, checked, and removed from the database."""
