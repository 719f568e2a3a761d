"""The ways of making water: what each one takes, what it costs, and which one is right."""
