"""The watering round from the plan, the log and the weather, and its entries. Shell."""
