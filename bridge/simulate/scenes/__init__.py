"""Scripted scenes of a fill, and the faults that are tried in them: alone, in pairs, and by a search."""
