"""The flow curve of a run."""
