"""Sheets of many patches: where they lie, how they scatter, how they are read."""
