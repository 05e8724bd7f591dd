"""Words for people: what `pv` says in codes and numbers, as sentences; and the one place that writes a figure."""
