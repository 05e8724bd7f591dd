"""What came up while a file was read."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from portal.pv.arrays import Ints
from portal.readers.reading import Notice, Question
from portal.readers.series import Series


@dataclass(slots=True)
class Doubts:
    """What came up on the way: questions to ask, things to tell, lines not taken in."""

    questions: list[Question] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    bad: list[tuple[int, str]] = field(default_factory=list)
    """Places of lines that are not taken in, and why."""

    def tell(self, code: str, text: str) -> None:
        """Note something for the owner of the file.

        Parameters
        ----------
        code
            A name that does not change.
        text
            The sentence.
        """
        self.notices.append(Notice(code, text))

    def reject(self, series: Series, at: Ints, reason: str) -> None:
        """Set a line aside and blank its energy.

        Parameters
        ----------
        series
            The readings; their energies are changed.
        at
            Positions (n,) in the series.
        reason
            Why they are not taken in.
        """
        self.bad += [(int(series.place[i]), reason) for i in at]
        series.energy_wh[at] = np.nan
