"""The guard: permissives, trips, the fill sequence and the alarm life cycle. Core: pure functions."""
