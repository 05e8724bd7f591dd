"""Cells of the CSV files we hand out."""


def safe_cell(text: str) -> str:
    """Return a cell that no spreadsheet runs as a formula when a CSV of ours is opened.

    The marks a spreadsheet may start a formula with (=, +, -, @, tab, carriage return) get an apostrophe before them,
    as OWASP's page on CSV injection advises; a plain number stays a number.
    """
    stripped = text.lstrip(" \u00a0\u200b\ufeff")
    if stripped[:1] in ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠", "|", "%"):
        try:
            float(stripped)
        except ValueError:
            return "'" + text
    return text
