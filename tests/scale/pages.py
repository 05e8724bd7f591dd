"""What the pages of an office cost, in one process and without anybody waiting: processor time, not seconds."""

from __future__ import annotations

import gc
import logging
import random
import time

import numpy as np
from django.test import Client

from portal.models import Site, User
from tests.scale import VISITED

TIMES = 24


def measure_pages() -> None:
    """Print milliseconds of CPU a page; with SQLite the database's are among them."""
    logging.disable(logging.INFO)  # a line a request
    draw, offices = random.Random(1), []
    for person in User.objects.filter(memberships__isnull=False).order_by("pk"):
        client = Client(SERVER_NAME="localhost")
        client.force_login(person)
        offices.append((client, list(Site.objects.managed_by(person).order_by("pk").values_list("pk", flat=True))))
    taken: dict[str, list[float]] = {name: [] for name in VISITED}
    for turn in range(TIMES + 1):
        client, roofs = offices[turn % len(offices)]
        for name in taken:
            path = f"/sites/{draw.choice(roofs)}/" if name == "a roof" else name
            began = time.process_time()
            answer = client.get(path)
            taken[name].append(1000 * (time.process_time() - began))
            assert answer.status_code == 200, f"{path}: {answer.status_code}"
        if turn == 0:  # what is loaded stays, as with the web server
            taken = {name: [] for name in VISITED}
            gc.collect()
            gc.freeze()
    print("ms of CPU a page, the middle of some and the 95th percentile:")
    for name, each in taken.items():
        print(f"  {name}: {np.median(each):.0f}, {np.quantile(each, 0.95):.0f}")
    visits = np.concatenate([taken[name] for name in VISITED])  # each as often as visitors open it
    print(f"  as they are visited: mean {visits.mean():.0f}, p95 {np.quantile(visits, 0.95):.0f}", flush=True)
