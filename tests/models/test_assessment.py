"""The daily table goes in and comes out the same."""

from datetime import date

import numpy as np
import pandas as pd

from portal.models.assessment import FLOAT_COLUMNS, pack_daily, unpack_daily


def test_a_daily_table_comes_back_as_it_went_in() -> None:
    days = pd.Index([date(2026, 3, 1), date(2026, 3, 3)], dtype=object)
    table = pd.DataFrame({name: [0.5, np.nan] for name in FLOAT_COLUMNS}, index=days)
    table["used"] = [True, False]
    table["refused"] = ["", "cloud"]
    pd.testing.assert_frame_equal(unpack_daily(pack_daily(table)), table, check_dtype=False)


def test_an_empty_daily_table_survives() -> None:
    table = pd.DataFrame({name: pd.Series(dtype=float) for name in FLOAT_COLUMNS})
    table["used"] = pd.Series(dtype=bool)
    table["refused"] = pd.Series(dtype=str)
    assert unpack_daily(pack_daily(table)).empty
