"""What can be asked of stored runs."""
