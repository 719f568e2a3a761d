"""Clearwell: pure water for bog plants, between a purifier's controller and the home hub."""

__version__ = "0.2.0"
