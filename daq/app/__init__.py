"""The daemon: sessions, runs, control, command line."""
