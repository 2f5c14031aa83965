"""Reports: what a page shows, its PDF, its record, and the way back from the file to the raw bytes."""
