"""Prints how the assessment does on a made fleet that it has not seen; judges nothing."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from portal.pv.assessment import assess, assess_town
from portal.pv.result import Assessment, Verdict
from tests.pv.fleet import PLACES, Made, make_town

SEEDS = (1, 2)


def told(made: Made, result: Assessment) -> dict[str, object]:
    """One row of the table: truth beside what was said."""
    band = result.present_loss_ci
    return {
        "kind": made.kind,
        "true": made.present_loss,
        "said": np.nan if result.present_loss is None else result.present_loss,
        "low": np.nan if band is None else band.low,
        "high": np.nan if band is None else band.high,
        "mean_off": np.nan if result.mean_loss is None else abs(result.mean_loss - made.mean_loss),
        "soiling": result.verdict == Verdict.SOILING,
        "fault": result.verdict == Verdict.OTHER_FAULT,
    }


def gained(made: Made, result: Assessment) -> list[dict[str, float]]:
    return [
        {
            "true": made.gains[cleaning.date],
            "said": cleaning.gain,
            "covered": cleaning.gain_ci.low <= made.gains[cleaning.date] <= cleaning.gain_ci.high,
        }
        for cleaning in result.cleanings
        if cleaning.gain is not None and cleaning.gain_ci is not None
    ]


@pytest.mark.benchmark
@pytest.mark.parametrize("roofs", [1, 15], ids=["alone", "town"])
def test_a_made_fleet_beside_its_truth(roofs: int) -> None:
    rows, gains = [], []
    for seed in SEEDS:
        for climate in PLACES:
            made = list(make_town(seed, climate, roofs))
            sites = [one.site for one in made]
            found = [assess(site) for site in sites] if roofs == 1 else assess_town(sites)
            for one, result in zip(made, found, strict=True):
                rows.append(told(one, result))
                gains += gained(one, result)
    table, washed = pd.DataFrame(rows), pd.DataFrame(gains)
    known = table.dropna(subset="said")
    covered = (known.low <= known.true) & (known.true <= known.high)
    print(f"\n{len(table)} roofs, seeds {SEEDS}, {'alone' if roofs == 1 else f'in towns of {roofs}'}")
    print(f"present loss: MAE {(known.said - known.true).abs().mean():.2%}, 90 % interval covers {covered.mean():.0%}")
    print(f"mean loss: MAE {known.mean_off.mean():.2%}")
    for kind, verdict in (("clean", "soiling"), ("fault", "soiling"), ("soiled", "soiling"), ("fault", "fault")):
        of_kind = table[table.kind == kind]
        print(f"{kind} told {verdict}: {int(of_kind[verdict].sum())} of {len(of_kind)}")
    print(
        f"healthy told fault: {int(table[table.kind != 'fault'].fault.sum())} of {int((table.kind != 'fault').sum())}"
    )
    off = (washed.said - washed.true).abs().mean()
    print(
        f"gain of {len(washed)} visits: MAE {off:.2%} (always zero {washed.true.abs().mean():.2%}), "
        f"covered {washed.covered.mean():.0%}"
    )
