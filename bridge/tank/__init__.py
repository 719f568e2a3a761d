"""From a float to a volume, and what mixes in the reservoir. Core: pure functions."""
