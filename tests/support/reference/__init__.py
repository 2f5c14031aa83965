"""Published values, and the formulas of published fluids."""
