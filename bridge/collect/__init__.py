"""The records of any number of bridges in one database, for dashboards that read plain SQL."""
