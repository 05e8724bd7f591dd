"""Readings that come by mail: kept as rows, taken in as files, answered where somebody has to know."""
