"""What the commands share: the log file, the configuration in use, files to write, typed values."""
