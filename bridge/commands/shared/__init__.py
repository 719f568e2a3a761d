"""Code that commands share: the log file, the configuration in use, files, and typed values."""
