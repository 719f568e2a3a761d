"""A controller without the daemon: calibration of its cells, and commissioning."""
