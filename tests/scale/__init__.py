"""The benchmark of scale: ``python -m tests.scale``."""

MINUTES = 15
PLANES = ((15.0, 180.0), (25.0, 150.0), (25.0, 180.0), (30.0, 215.0), (35.0, 170.0), (40.0, 190.0))
"""Tilt and azimuth of the roofs, by turns."""
VISITED = ("/", "/customers/", "/leads/", "/fleet/", "/visits/week/", "a roof", "a roof", "a roof")
"""What people of an office open, each as often."""
