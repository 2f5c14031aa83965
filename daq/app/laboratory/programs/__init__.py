"""Acts on the tokens of programs."""
