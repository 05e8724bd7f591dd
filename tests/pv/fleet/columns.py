"""The columns of the benchmark: which roofs, told how, assessed how."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from portal.management.commands.assess import neighbourhoods
from tests.pv.fleet.kept import kept
from tests.pv.fleet.made import Made
from tests.pv.fleet.meter import told_wrong, without_gauge
from tests.pv.fleet.other_roof import make_other_town
from tests.pv.fleet.other_sky import OTHER_PLACES
from tests.pv.fleet.places import PLACES
from tests.pv.fleet.scored import Scored, scored
from tests.pv.fleet.shared import read_made
from tests.pv.fleet.town import make_town

COLUMNS = ("town", "town, no gauge", "alone", "facts wrong", "other alone", "other town", "other no gauge")
LONE_SEEDS, TOWNS, TOWN_ROOFS = 8, 3, 12
"""Lone roofs stand one in each of eight climates for each of so many seeds."""


@dataclass(frozen=True)
class Group:
    """Roofs that are made at once."""

    name: str
    make: Callable[[], list[Made]]
    columns: tuple[str, ...]
    keep: bool = True


def groups(seed: int) -> list[Group]:
    """All the roofs of one run."""
    out = []
    for number in range(TOWNS):
        for makes, places, columns in (
            (make_town_list, PLACES, ("town", "town, no gauge")),
            (make_other_list, OTHER_PLACES, ("other town", "other no gauge")),
        ):
            climate = sorted(places)[(3 * seed + number) % len(places)]
            out.append(Group(f"{climate} {seed} town", partial(makes, seed, climate, TOWN_ROOFS), columns))
    for number in range(LONE_SEEDS):
        for climate in sorted(PLACES):
            at = 1000 * seed + number
            make = partial(make_town_list, at, climate, 1)
            out.append(Group(f"{climate} {at} alone", make, ("alone", "facts wrong")))
        for climate in sorted(OTHER_PLACES):
            at = 1000 * seed + number
            out.append(Group(f"{climate} {at} alone", partial(make_other_list, at, climate, 1), ("other alone",)))
    return out


def groups_in(folder: Path) -> list[Group]:
    """The roofs of a fleet that somebody else made; they stand in towns where a rain gauge lies beside them."""
    sites = sorted(path.parent for path in (folder / "sites").glob("*/site.json"))
    if (sites[0] / "rain.csv").exists():
        return [
            Group(f"{folder.name} {number}", partial(read_made, town), ("town", "town, no gauge"), keep=False)
            for number, town in enumerate(neighbourhoods(sites))
        ]
    return [
        Group(f"{folder.name} {site.name}", partial(read_made, [site]), ("alone", "facts wrong"), keep=False)
        for site in sites
    ]


def make_town_list(seed: int, climate: str, roofs: int) -> list[Made]:
    return list(make_town(seed, climate, roofs))


def make_other_list(seed: int, climate: str, roofs: int) -> list[Made]:
    return list(make_other_town(seed, climate, roofs))


def score_group(group: Group, columns: Sequence[str]) -> list[tuple[str, Scored]]:
    """Make (or take out of the keep) and assess one group in each of its columns that is wanted."""
    fleet = kept(group.name, group.make) if group.keep else group.make()
    out = []
    for column in group.columns:
        if column not in columns:
            continue
        shown = fleet
        if column == "facts wrong":
            rng = np.random.default_rng([len(fleet), *group.name.encode()])
            shown = [told_wrong(made, rng) for made in fleet]
        elif "no gauge" in column:
            shown = [without_gauge(made) for made in fleet]
        alone = "town" not in column and "no gauge" not in column
        out += [(column, one) for one in scored(shown, alone=alone)]
    return out


def _lower() -> None:
    os.nice(max(0, 10 - os.nice(0)))


def run(all_groups: Sequence[Group], columns: Sequence[str]) -> dict[str, list[Scored]]:
    """Score groups in two processes of low priority."""
    wanted = [group for group in all_groups if set(group.columns) & set(columns)]
    out: dict[str, list[Scored]] = {column: [] for column in columns}
    with ProcessPoolExecutor(2, initializer=_lower) as pool:
        for rows in pool.map(partial(score_group, columns=tuple(columns)), wanted):
            for column, one in rows:
                out[column].append(one)
    return {column: rows for column, rows in out.items() if rows}
