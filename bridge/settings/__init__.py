"""Configuration: what can be set, where it comes from, and what is wrong with it."""
