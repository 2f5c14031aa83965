"""Files that people write: methods, products, instruments, fluids, the daemon."""
