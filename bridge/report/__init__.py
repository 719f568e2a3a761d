"""The report of a season: values out of the log, drawn and written down for people."""
