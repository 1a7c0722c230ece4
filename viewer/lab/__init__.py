"""Synthetic clips with known truth, rendered from physics.  Never meets `measure` or `align`."""
