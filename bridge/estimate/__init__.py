"""Estimates: the water of the reservoir, the verdict on it, and the watch over the cell. Core."""
