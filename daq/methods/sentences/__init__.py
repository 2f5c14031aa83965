"""The sentences of results: codes with typed parameters, and their English text as data."""
