"""Work at the bench: cells against standards, and a new rig's first trial."""
