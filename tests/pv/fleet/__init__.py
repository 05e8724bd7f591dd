"""Made fleets: hundreds of invented roofs whose dirt and faults are known, from any seed, by two makers.

Accuracy is claimed from truth that the method has not seen: every seed makes other skies, roofs, rains, washes and
faults. The first maker's sky and roofs are those of :mod:`fixtures`, the second's are its own (:mod:`.other_sky`,
:mod:`.other_roof`, :mod:`.other_dirt`); the assessment uses none of either. How often things happen is invented.
"""

from tests.pv.fleet.made import Made
from tests.pv.fleet.places import PLACES
from tests.pv.fleet.town import make_town

__all__ = ["PLACES", "Made", "make_town"]
