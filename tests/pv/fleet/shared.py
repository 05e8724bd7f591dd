"""Fleets that somebody else made, from a folder: ``sites/<id>/`` as the assessment may see it, ``truth/<id>.json``."""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pandas as pd

from portal.management.commands.assess import read_site
from tests.pv.fleet.made import Made

FAULTS = {
    "string_loss": "string",
    "shading_growth": "shade",
    "inverter_outage": "outage",
    "degradation": "degradation",
    "meter": "meter",
}
"""What these fleets call the faults of ours."""


def read_made(sites: list[Path]) -> list[Made]:
    """Sites with their truth."""
    return [_read_one(site) for site in sites]


def _read_one(folder: Path) -> Made:
    site, _ = read_site(folder / "site.json", folder / "readings.csv")
    truth = json.loads((folder.parent.parent / "truth" / f"{folder.name}.json").read_text())
    first = date.fromisoformat(truth["soiling_ratio"]["start"])
    ratio = truth["soiling_ratio"]["values"]
    return Made(
        site=site,
        climate=truth["climate"],
        loss=pd.Series([1 - value for value in ratio], index=[first + timedelta(days=n) for n in range(len(ratio))]),
        mean_loss=truth["mean_loss"],
        fault=_fault(truth),
        dirt="dust",
        step_wh=1000 * truth["meter_quantum_kwh"],
        gains={
            date.fromisoformat(event["date"]): event["gain"]
            for event in truth["events"]
            if event["kind"] == "manual" and event["known"]
        },
    )


def _fault(truth: dict[str, Any]) -> str:
    """The fault that makes such a site no case of dirt, if it is one: it lasts at the end and is no mere ageing."""
    if "fault" not in truth["class"]:
        return ""
    kinds = [FAULTS[one["kind"]] for one in truth["faults"] if one["active"] and one["kind"] in FAULTS]
    return min(kinds, key=list(FAULTS.values()).index)
