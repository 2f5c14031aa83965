"""The parts a result is made of: computed, stored and published as the same models."""
