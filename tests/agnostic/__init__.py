"""Methods, rules, limits and results on instruments where nothing turns."""
