"""One run on one bench: the instrument sessions, the run itself, its result, and recovery after a kill."""
