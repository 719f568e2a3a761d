"""When the purifier gives out and what a litre costs: load, capacity, breakthrough, forecast, cost. Core."""
