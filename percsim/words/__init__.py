"""Typed results -> sentences, made once, for page, terminal and summary."""
