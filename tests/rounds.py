"""How near the shortest a day's round comes: our order, and those of two solvers where they are installed.

    python -m tests.rounds [--days 200] [--seed 11]

Each made day has 3 to 10 roofs, spread evenly over 25 km around the yard. The shortest round is found by trying all
subsets (Held and Karp 1962, doi:10.1137/0110015). ``pip install ortools pyvroom`` adds the solvers; neither is a
dependency of ours. Both get whole metres, as they ask.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Callable
from importlib import import_module
from importlib.util import find_spec
from itertools import combinations, pairwise
from math import cos, pi, radians, sin, sqrt
from random import Random

import django
import numpy as np

from portal.pv.town import KM_A_DEGREE, kilometres

Place = tuple[float, float]
Solver = Callable[[list[Place], Place], list[int]]
YARD = (39.7, -105.0)
WITHIN_KM = 25.0


def made_day(random: Random) -> list[Place]:
    """Roofs of one day, spread evenly over the circle around the yard."""
    roofs = []
    for _ in range(random.randint(3, 10)):
        away, angle = WITHIN_KM * sqrt(random.random()), 2 * pi * random.random()
        north, east = away * cos(angle) / KM_A_DEGREE, away * sin(angle) / KM_A_DEGREE / cos(radians(YARD[0]))
        roofs.append((YARD[0] + north, YARD[1] + east))
    return roofs


def length_km(order: list[int], roofs: list[Place]) -> float:
    """Out and home in this order, as the crow flies."""
    return sum(kilometres(*a, *b) for a, b in pairwise([YARD, *(roofs[one] for one in order), YARD]))


def shortest_km(roofs: list[Place]) -> float:
    count = len(roofs)
    km = [[kilometres(*a, *b) for b in roofs] for a in roofs]
    out = [kilometres(*YARD, *one) for one in roofs]
    best = {(frozenset([one]), one): out[one] for one in range(count)}
    for size in range(2, count + 1):
        for some in map(frozenset, combinations(range(count), size)):
            for last in some:
                before = some - {last}
                best[some, last] = min(best[before, one] + km[one][last] for one in before)
    whole = frozenset(range(count))
    return min(best[whole, last] + out[last] for last in range(count))


def ours(roofs: list[Place], yard: Place) -> list[int]:
    from portal.actions.visits import route_order  # once Django is set up

    return route_order(roofs, yard)[0]


def metres(roofs: list[Place], yard: Place) -> list[list[int]]:
    nodes = [yard, *roofs]
    return [[round(1000 * kilometres(*a, *b)) for b in nodes] for a in nodes]


def by_vroom(roofs: list[Place], yard: Place) -> list[int]:
    vroom = import_module("vroom")
    problem = vroom.Input()
    problem.set_durations_matrix("car", np.array(metres(roofs, yard), dtype=np.uint32))
    problem.add_vehicle(vroom.Vehicle(1, start=0, end=0))
    problem.add_job([vroom.Job(number, location=number) for number in range(1, len(roofs) + 1)])
    routes = problem.solve(exploration_level=5, nb_threads=1).routes
    return [int(one) - 1 for one in routes[routes.type == "job"]["location_index"]]


def by_ortools(milliseconds: int) -> Solver:
    def solve(roofs: list[Place], yard: Place) -> list[int]:
        pywrapcp = import_module("ortools.constraint_solver.pywrapcp")
        routing_enums_pb2 = import_module("ortools.constraint_solver.routing_enums_pb2")
        way = metres(roofs, yard)
        manager = pywrapcp.RoutingIndexManager(len(way), 1, 0)
        routing = pywrapcp.RoutingModel(manager)
        cost = routing.RegisterTransitCallback(
            lambda a, b: way[manager.IndexToNode(a)][manager.IndexToNode(b)],
        )
        routing.SetArcCostEvaluatorOfAllVehicles(cost)
        asked = pywrapcp.DefaultRoutingSearchParameters()
        asked.first_solution_strategy = routing_enums_pb2.FirstSolutionStrategy.PATH_CHEAPEST_ARC
        if milliseconds:
            asked.local_search_metaheuristic = routing_enums_pb2.LocalSearchMetaheuristic.GUIDED_LOCAL_SEARCH
            asked.time_limit.FromMilliseconds(milliseconds)
        found = routing.SolveWithParameters(asked)
        order, index = [], found.Value(routing.NextVar(routing.Start(0)))
        while not routing.IsEnd(index):
            order.append(manager.IndexToNode(index) - 1)
            index = found.Value(routing.NextVar(index))
        return order

    return solve


def solvers() -> dict[str, Solver]:
    found: dict[str, Solver] = {"2-opt": ours}
    if find_spec("vroom"):
        found["pyvroom"] = by_vroom
    if find_spec("ortools"):
        found |= {"ortools": by_ortools(0), "ortools, 200 ms": by_ortools(200)}
    return found


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--days", type=int, default=200)
    asked.add_argument("--seed", type=int, default=11)
    args = asked.parse_args()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "portal.settings")
    django.setup()
    random = Random(args.seed)
    days = [made_day(random) for _ in range(args.days)]
    best = [shortest_km(roofs) for roofs in days]
    for module, name in (("vroom", "pyvroom"), ("ortools", "ortools")):
        if not find_spec(module):
            print(f"{name} is not installed here")
    for solver, solve in solvers().items():
        began = time.perf_counter()
        orders = [solve(roofs, YARD) for roofs in days]
        spent_ms = 1000 * (time.perf_counter() - began) / len(days)
        assert all(sorted(order) == list(range(len(roofs))) for order, roofs in zip(orders, days, strict=True))
        longer = [length_km(order, roofs) / km - 1 for order, roofs, km in zip(orders, days, best, strict=True)]
        exact = sum(one < 1e-4 for one in longer)
        mean = 100 * sum(longer) / len(longer)
        print(
            f"{solver:16} shortest on {exact} of {len(days)}; longer by {mean:.2f} % on average, "
            f"{100 * max(longer):.1f} % at worst; {spent_ms:.1f} ms a day"
        )


if __name__ == "__main__":
    main()
