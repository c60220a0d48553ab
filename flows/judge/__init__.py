"""A reading, its meter's error, the limits of its equipment: pass, fail or too close to call."""
