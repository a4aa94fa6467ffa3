"""Stage 5. Links -> Network -> Solution."""
