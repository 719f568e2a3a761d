"""The page on the home network: a process of its own beside the daemon."""
