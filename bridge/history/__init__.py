"""The log: readings, roll-ups, events and alarms on disk, the outbox to the hub, exports."""
