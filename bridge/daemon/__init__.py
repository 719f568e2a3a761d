"""The process that keeps every reservoir: keepers, log, broker, page, service manager. Shell."""
