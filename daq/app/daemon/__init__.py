"""The daemon as a process: supervisor, control socket, metrics."""
