"""Judges the round of the trays: an invented garden of trays, and a season in it."""
