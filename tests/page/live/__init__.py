"""The page in Chromium over the daemon as a process, with three simulated benches."""
