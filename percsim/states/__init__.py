"""Stage 4. What strain and temperature do to the links of a box."""
