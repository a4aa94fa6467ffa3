"""Stage 3. Particles -> Links: which bodies touch, where, and along which normal."""
