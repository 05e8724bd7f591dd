"""The charts' colours by day, by what they stand for, as mail, print and PDF have them.

The style sheet has the same names, with others for dark pages. Contrast of every mark against the sheet is at least
3 to 1 (WCAG 2.2, 1.4.11) except grounds and grid, which an edge, a line or a label repeats.
"""

PALETTE = {
    "ink": "#16191f",
    "soft": "#4a505b",
    "grid": "#d3d7d2",
    "sheet": "#ffffff",
    "day": "#56707f",
    "refused": "#828b96",
    "line": "#7a4a00",
    "band": "#e8cd98",
    "edge": "#a9772a",
    "lost": "#e0a83c",
    "wash": "#0a5670",
    "rain": "#5f6f8c",
    "expected": "#163f8c",
    "fault": "#9c1230",
}
