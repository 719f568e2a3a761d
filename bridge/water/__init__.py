"""Water: conductivity, dissolved solids and their uncertainty, and the health of the probe. Core."""
