"""Plans, facts, stored runs and results, made in this process."""
