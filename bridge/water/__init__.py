"""From a conductance in a cell to dissolved solids with an uncertainty. Core: pure functions."""
