"""Plans, facts, stored runs and results, made without a process."""
