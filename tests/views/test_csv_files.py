"""Cells of the CSV files we hand out."""

from __future__ import annotations

import pytest

from portal.views.csv_files import safe_cell


@pytest.mark.parametrize(
    "cell", ["=1+1", "+49 30", "-cmd|' /C calc'!A0", "@SUM(A1)", "\t=1", "\r=1", " =1", "＝1", "%0A=1", "|calc"]
)
def test_a_formula_is_harmless_in_what_we_export(cell: str) -> None:
    # OWASP, "CSV Injection": cells beginning with = + - @ tab or carriage return may be run as formulas.
    assert safe_cell(cell) == "'" + cell


@pytest.mark.parametrize("cell", ["", "12.5", "-12.5", "+1", "-1e3", "2024-05-02 00:00", "A. Nyone", "a=b"])
def test_plain_cells_stay_as_they_are(cell: str) -> None:
    assert safe_cell(cell) == cell
