"""The web page: a process of its own beside the daemon."""
