"""The whole system on one machine without hardware: rig, broker, daemon, and somebody who watches."""
