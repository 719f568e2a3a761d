"""Looking ahead: when the purifier gives out, and how long the reservoir lasts."""
