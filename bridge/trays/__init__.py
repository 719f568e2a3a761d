"""Trays: the water and the solids under the pots, the watering round, seasons and rain."""
