"""The reservoir: its level and volume, its mixing balance, its use, and the tray under the pots. Core."""
