"""The page on the home network: a process beside the daemon, which shows and which carries commands."""
