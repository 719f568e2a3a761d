"""A simulated controller, purifier, reservoir and weather: core, and the pseudo-terminal as its shell."""
