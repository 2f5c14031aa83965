"""A whole shift on simulated instruments, in the time that the computer needs for it."""
