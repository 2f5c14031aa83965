"""Questions about stored runs: history, readings, replay, export, health."""
