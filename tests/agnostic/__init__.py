"""Methods, rules, limits and results on instruments without a motor."""
