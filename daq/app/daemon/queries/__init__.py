"""Named, bounded queries for screens, answered by a process of their own."""
