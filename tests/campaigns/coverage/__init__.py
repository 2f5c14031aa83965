"""Does the stated uncertainty hold? Thousands of simulated instruments, each with errors of its own, judged as users are."""
