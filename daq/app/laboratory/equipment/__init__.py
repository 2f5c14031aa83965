"""Acts on equipment, values that are entered by hand, and what is gathered about a lot or a month."""
