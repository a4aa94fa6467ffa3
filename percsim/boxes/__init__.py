"""Stage 6. Many boxes -> Ensemble: seeds, worker processes, storage and statistics."""
