"""Gains of washes, where single precision ends."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from portal.pv import soiling
from portal.pv.assessment import assess
from portal.pv.gains import Gain, Weighed, gain_at
from tests.pv.planted import dust, site, weather


def _weighed(monkeypatch: pytest.MonkeyPatch) -> tuple[Weighed, int]:
    """The hypotheses of a planted roof, and the spell after its wash."""
    sky = weather(days=300, minutes=60)
    seen: list[tuple[Weighed, list[int]]] = []

    def keep(weighed: Weighed, days: list[int]) -> list[Gain]:
        seen.append((weighed, days))
        return []

    monkeypatch.setattr(soiling, "gains_of_visits", keep)
    assess(site(sky, dust(sky, 0.001), visits=(200,)))
    weighed, (day,) = seen[-1]
    return weighed, int(np.flatnonzero(weighed.spells.first == day + 1)[0])


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize(("faint", "most"), [(0.0, 1.0), (1e-25, 1e-25)])
def test_a_clean_level_whose_days_before_and_after_do_not_fit_together_spoils_no_gain(
    monkeypatch: pytest.MonkeyPatch, faint: float, most: float
) -> None:
    weighed, spell = _weighed(monkeypatch)
    whole = gain_at(weighed, spell, 200)
    before, after = weighed.done.before(spell).copy(), weighed.done.after(spell).copy()
    lightest = int(np.argmin(np.where(weighed.share > 1e-3, weighed.share, 1.0)))
    before[:, lightest], after[:, lightest] = faint, faint
    before[:, lightest, 0], after[:, lightest, -1] = most, most
    torn: Any = SimpleNamespace(before=lambda _: before, after=lambda _: after)
    gain = gain_at(replace(weighed, done=torn), spell, 200)
    assert gain.middle == pytest.approx(whole.middle, abs=0.01)
    assert gain.low < gain.middle < gain.high
