"""May water flow? Permissives, trips, the fill sequence and the alarm life cycle. Core: pure functions."""
