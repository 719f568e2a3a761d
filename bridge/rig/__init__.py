"""A simulated controller, purifier, reservoir and weather; all core but the pseudo-terminal."""
