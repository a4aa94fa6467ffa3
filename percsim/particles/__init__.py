"""Stage 2. Recipe -> Particles: boxes, bodies, shapes and placement."""
