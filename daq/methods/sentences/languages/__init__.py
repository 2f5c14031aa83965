"""Languages of the sentences of results beside English."""
