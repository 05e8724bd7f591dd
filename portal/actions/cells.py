"""Cells: roofs under one sky that are assessed in one go, of all firms of the portal.

They share the air, dimming by day, which is nobody's; no roof's name, reading or result goes to another's firm.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import replace
from datetime import date
from math import cos, radians

from portal.actions.assessments import readings_of
from portal.models import Meter, Site, SiteDaily
from portal.models.site import SiteQuerySet
from portal.pv.assessment import assess, assess_town
from portal.pv.cells import cells, nearest
from portal.pv.memory import known_until
from portal.pv.readings import SiteReadings
from portal.pv.result import Assessment
from portal.pv.said import Code, Said
from portal.pv.site_fit import PartOfRecord
from portal.pv.town import TOWN_DEGREES, TOWN_KM, kilometres

log = logging.getLogger(__name__)

COMPANY = 15
"""Roofs that go along with one whose turn it is, as far as its cell has them. Common practice, no source: the air of a
day is known to a quarter of a roof's own scatter from fifteen."""


def place_in_cells() -> int:
    """Say of each site that can be assessed which cell it is in. Returns how many were moved."""
    rows = list(Site.objects.assessable().order_by("pk").values_list("pk", "latitude", "longitude", "cell"))
    if not rows:
        return 0
    firsts = [rows[label][0] for label in cells([row[1] or 0.0 for row in rows], [row[2] or 0.0 for row in rows])]
    moved = [Site(pk=row[0], cell=first) for row, first in zip(rows, firsts, strict=True) if row[3] != first]
    Site.objects.bulk_update(moved, ["cell"], batch_size=500)
    return len(moved)


def assess_cell(keys: Sequence[int], *, as_of: date, in_company: bool) -> Iterator[tuple[Site, Assessment | None]]:
    """Assess sites of one cell, with near ones for company; None for one that stopped with an error.

    Nothing is said of the company: their own turn comes, or has been.
    """
    sites = _with_company(keys, in_company=in_company)
    kept = SiteDaily.objects.filter(site__in=sites).values_list("site_id", "memory")
    remembered = {key: bytes(memory) for key, memory in kept if memory}
    known = {key: known_until(memory) for key, memory in remembered.items()}
    inputs = _inputs(sites, {key: day for key, day in known.items() if day is not None})
    results: dict[int, Assessment] = {}
    if in_company:
        try:
            results = _together(sites, inputs, remembered, asked=set(keys), as_of=as_of)
        except Exception:  # one unreadable roof must not cost its neighbours their answer
            log.exception("joint assessment failed; assessing %d sites one by one", len(keys))
    for site in sites:
        if site.pk not in keys:
            continue
        try:
            result = results.get(site.pk) or _alone(site, inputs[site.pk], as_of)
        except Exception:  # logged, and the other sites go on
            log.exception("assessment of site %d failed", site.pk)
            yield site, None
            continue
        yield site, result


def _together(
    sites: Sequence[Site],
    inputs: dict[int, SiteReadings],
    remembered: Mapping[int, bytes],
    *,
    asked: Set[int],
    as_of: date,
) -> dict[int, Assessment]:
    """Assess those asked about that have readings, beside the others; fills up ``inputs`` of whom all are needed."""
    here = {site.pk: site for site in sites if not inputs[site.pk].energy_wh.empty}
    order = sorted(here, key=lambda key: key not in asked)
    count = len(asked & here.keys())
    previous = [remembered.get(key, b"") for key in order]
    whole: set[int] = set()
    while True:
        try:
            found = assess_town([inputs[key] for key in order], as_of=as_of, previous=previous, answers=count)
        except PartOfRecord as missing:
            key = int(missing.key)
            if key in whole:
                raise
            whole.add(key)
            inputs |= _inputs([here[key]], {})
        else:
            return dict(zip(order, found, strict=False))


def _inputs(sites: Sequence[Site], since: Mapping[int, date]) -> dict[int, SiteReadings]:
    """Readings of sites; a meter that counts only the surplus has none that count."""
    inputs = readings_of(sites, since=since)
    surplus = Meter.objects.filter(site__in=sites, mapping__export="surplus").values_list("site_id", flat=True)
    for key in set(surplus):
        inputs[key] = replace(inputs[key], energy_wh=inputs[key].energy_wh.iloc[:0])
    return inputs


def _alone(site: Site, readings: SiteReadings, as_of: date) -> Assessment:
    """The answer of a roof on its own, which says so where it has neighbours, and is not gone on from."""
    if not readings.energy_wh.empty:
        readings = _inputs([site], {})[site.pk]
    result = assess(readings, as_of=as_of)
    if readings.energy_wh.empty:
        only_surplus = Meter.objects.filter(site=site, mapping__export="surplus").exists()
        return replace(result, reasons=(Said(Code.ONLY_SURPLUS),)) if only_surplus else result
    if result.present_loss is None or site.cell is None or len(_under_one_sky(site)) < 2:
        return result
    return replace(result, reasons=(*result.reasons, Said(Code.WITHOUT_NEIGHBOURS)), memory=b"")


def _with_company(keys: Sequence[int], *, in_company: bool) -> list[Site]:
    """The sites, and near ones of their cell where they are few."""
    with_planes = (
        Site.objects.assessable()
        .order_by("pk")
        .select_related("customer__business__sending_rules")
        .prefetch_related("planes")
    )
    own = list(with_planes.filter(pk__in=keys))
    if not in_company or not own or len(own) > COMPANY:
        return own
    places = _under_one_sky(own[0])
    at = [n for n, place in enumerate(places) if place[0] in keys]
    if not at:  # not placed yet
        return own
    near = nearest([place[1] for place in places], [place[2] for place in places], at)
    chosen = [places[n][0] for n in near if places[n][0] not in keys][: COMPANY + 1 - len(own)]
    return [*own, *with_planes.filter(pk__in=chosen)]


def _under_one_sky(site: Site) -> list[tuple[int, float, float]]:
    """Key, latitude and longitude of the roofs of a site's cell, or where that has few, of all that are near it."""
    every = Site.objects.assessable().order_by("pk")
    cell = _placed(every.filter(cell=site.cell))
    if site.place is None or len(cell) > COMPANY:
        return cell
    # A village a little farther than 40 km from a town's first roof is no part of the town, and shares its sky.
    north, east = site.place
    across = min(TOWN_DEGREES / max(cos(radians(north)), 1e-4), 180.0)
    box = every.filter(
        latitude__range=(north - TOWN_DEGREES, north + TOWN_DEGREES), longitude__range=(east - across, east + across)
    )
    inside = {row[0] for row in cell}
    near = [row for row in _placed(box) if kilometres(north, east, row[1], row[2]) <= TOWN_KM]
    return [*cell, *(row for row in near if row[0] not in inside)]


def _placed(sites: SiteQuerySet) -> list[tuple[int, float, float]]:
    rows = sites.values_list("pk", "latitude", "longitude")
    return [(key, north, east) for key, north, east in rows if north is not None and east is not None]
