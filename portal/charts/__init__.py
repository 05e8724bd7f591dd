"""Frames in, plotly figures (plain dictionaries) and small SVG drawings out."""
