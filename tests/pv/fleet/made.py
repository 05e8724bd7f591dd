"""A made roof: what the assessment may see of it, and the truth."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import pandas as pd

from portal.pv.readings import SiteReadings

CLEAN, SOILED = 0.025, 0.04
"""Present losses under which a roof without a fault counts as clean, and from which it counts as soiled."""
HEAVY = 0.20
YOUNG_DAYS = 182


@dataclass(frozen=True)
class Made:
    """A site as the assessment may see it, and the truth. Losses are fractions of the clean yield."""

    site: SiteReadings
    climate: str
    loss: pd.Series[float]
    """By dirt, of each local day of the record."""
    mean_loss: float
    fault: str
    """Lasting at the end: ``string``, ``shade``, ``outage``, ``degradation``, ``meter`` or ``""``."""
    dirt: str
    """``dust`` that rain takes, or ``stubborn`` dirt that it hardly takes."""
    step_wh: float
    """Of the meter."""
    gains: dict[date, float]
    """Of each known visit."""
    told_wrong: bool = False

    @property
    def present_loss(self) -> float:
        """By dirt, on the last day."""
        return float(self.loss.iloc[-1])

    @property
    def kind(self) -> str:
        """``clean``, ``soiled``, ``between`` or ``fault``."""
        return "fault" if self.fault else kind_of(self.present_loss)

    @property
    def classes(self) -> list[str]:
        """What sets this roof apart: the classes that a benchmark prints apart."""
        found = [self.climate]
        if self.fault:
            found.append(self.fault)
        elif self.dirt == "stubborn" and self.present_loss >= CLEAN:
            found.append("stubborn dirt")
        if self.present_loss >= HEAVY:
            found.append("20 % and more")
        if len(self.loss) <= YOUNG_DAYS:
            found.append("young record")
        if self.site.interval_minutes == 1440:
            found.append("daily totals")
        elif self.step_wh >= 1000:
            found.append("1 kWh meter")
        return found


def kind_of(loss: float) -> str:
    """``clean``, ``soiled`` or ``between``, by present loss."""
    return "clean" if loss < CLEAN else "soiled" if loss >= SOILED else "between"
