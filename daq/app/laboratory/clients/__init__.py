"""Programs that are identified by a token instead of a person."""
