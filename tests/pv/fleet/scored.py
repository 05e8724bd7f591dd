"""One assessed roof beside its truth."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from fixtures.weather import Floats
from portal.pv.assessment import assess, assess_town
from tests.pv.fleet.made import SOILED, Made


@dataclass(frozen=True)
class Gain:
    """Of a known wash: true, said, and the 90 % interval."""

    true: float
    said: float
    low: float
    high: float


@dataclass(frozen=True)
class Scored:
    """What was said of a roof beside what is true. Losses are fractions; NaN where nothing was said."""

    key: str
    kind: str
    fault: str
    classes: tuple[str, ...]
    true: float
    said: float
    low: float
    high: float
    verdict: str
    cause: str
    clear_days_last_30: int
    days: tuple[date, ...]
    true_line: Floats
    said_line: Floats
    low_line: Floats
    high_line: Floats
    gains: tuple[Gain, ...]

    @property
    def dirty(self) -> bool:
        """By 4 % or more, without another fault."""
        return not self.fault and self.true >= SOILED

    @property
    def covered(self) -> bool:
        return self.low <= self.true <= self.high

    @property
    def off(self) -> float:
        return abs(self.said - self.true)


def scored(fleet: list[Made], *, alone: bool) -> list[Scored]:
    """Assess a fleet, each roof alone or all as one town."""
    answers = [assess(made.site) for made in fleet] if alone else assess_town([made.site for made in fleet])
    out = []
    for made, said in zip(fleet, answers, strict=True):
        band = said.present_loss_ci
        clear = said.data_quality.clear_days_last_30
        line = said.daily.reindex(made.loss.index)
        out.append(
            Scored(
                key=made.site.key + (" told wrong" if made.told_wrong else ""),
                kind=made.kind,
                fault=made.fault,
                classes=(*made.classes, *(["few clear days at the end"] if clear <= 3 else [])),
                true=made.present_loss,
                said=np.nan if said.present_loss is None else said.present_loss,
                low=np.nan if band is None else band.low,
                high=np.nan if band is None else band.high,
                verdict=str(said.verdict),
                cause=str(said.cause or ""),
                clear_days_last_30=clear,
                days=tuple(made.loss.index),
                true_line=np.asarray(made.loss, dtype=np.float64),
                said_line=1 - line["soiling_ratio"].to_numpy(dtype=np.float64),
                low_line=1 - line["soiling_ratio_high"].to_numpy(dtype=np.float64),
                high_line=1 - line["soiling_ratio_low"].to_numpy(dtype=np.float64),
                gains=tuple(
                    Gain(made.gains[one.date], one.gain, one.gain_ci.low, one.gain_ci.high)
                    for one in said.cleanings
                    if one.gain is not None and one.gain_ci is not None and one.date in made.gains
                ),
            )
        )
    return out
