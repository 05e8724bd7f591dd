"""Pure computation: arrays in, numbers out. Knows nothing of Django, files or the network."""
