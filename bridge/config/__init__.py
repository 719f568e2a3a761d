"""The configuration: its tables, where values come from, its mistakes, and the plan made from it."""
