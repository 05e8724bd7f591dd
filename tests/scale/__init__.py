"""The benchmark of scale: ``python -m tests.scale``."""
