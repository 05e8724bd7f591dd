"""The layout of a memory is what its bytes mean: it changes by itself when that does."""

from __future__ import annotations

import json
import struct
import zlib

import numpy as np
import pytest

from portal.pv.assessment import assess
from portal.pv.daily import DAY
from portal.pv.memory import LAYOUT, Arrays, Facts, from_bytes, layout_of
from portal.pv.moves import GRID, RAIN_PRIOR, RATES
from tests.pv.planted import dust, site, weather

NAMES = [*Facts.__annotations__, *Arrays.__annotations__]
TYPES = {name: kind for name, (kind, *_) in (DAY.fields or {}).items()}
RETYPED = np.dtype([(name, "f8" if name == "index" else kind) for name, kind in TYPES.items()])
RENAMED = np.dtype([(name.replace("haze", "mist"), kind) for name, kind in TYPES.items()])


def test_the_layout_is_that_of_the_days_names_and_grids_in_use() -> None:
    assert layout_of(DAY, NAMES, [GRID, RATES, RAIN_PRIOR]) == LAYOUT


@pytest.mark.parametrize(
    "other",
    [
        layout_of(RETYPED, NAMES, [GRID, RATES, RAIN_PRIOR]),
        layout_of(RENAMED, NAMES, [GRID, RATES, RAIN_PRIOR]),
        layout_of(DAY, NAMES[1:], [GRID, RATES, RAIN_PRIOR]),
        layout_of(DAY, NAMES, [GRID * 1.001, RATES, RAIN_PRIOR]),
        layout_of(DAY, NAMES, [GRID, RATES[:-1], RAIN_PRIOR]),
    ],
    ids=["a field's type", "a field's name", "a fact", "the losses", "the rates"],
)
def test_the_layout_changes_with_what_it_describes(other: str) -> None:
    assert other != LAYOUT


def test_bytes_of_another_layout_are_not_used() -> None:
    sky = weather(days=100, minutes=60)
    memory = assess(site(sky, dust(sky, 0.001))).memory
    kept = from_bytes(memory)
    assert kept is not None
    assert kept.to_bytes() == memory
    plain = zlib.decompress(memory)
    (length,) = struct.unpack_from("<I", plain)
    head = json.loads(plain[4 : 4 + length]) | {"layout": "of another day"}
    packed = json.dumps(head).encode()
    assert from_bytes(zlib.compress(struct.pack("<I", len(packed)) + packed + plain[4 + length :])) is None
