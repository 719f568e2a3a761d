"""The whole system on one machine without hardware: rig, broker, daemon and an observer."""
