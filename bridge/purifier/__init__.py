"""The purifier: its load, its capacity, the breakthrough of its front, and the forecast of its end. Core."""
