"""What somebody else's server sends is bounded in size and time, and no more of it is asked for after that."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from portal.actions.bounded import TooLarge, TooSlow, take_in


def test_what_comes_in_time_is_put_together() -> None:
    assert take_in([b"ab", b"", b"c"], most_bytes=3, deadline_s=60) == b"abc"


@pytest.mark.parametrize(("most_bytes", "deadline_s", "given_up"), [(3, 60, TooLarge), (100, -1, TooSlow)])
def test_no_more_is_asked_for_beyond_the_bounds(most_bytes: int, deadline_s: int, given_up: type[Exception]) -> None:
    asked = []

    def endless() -> Iterator[bytes]:
        while True:
            asked.append(1)
            yield b"ab"

    with pytest.raises(given_up):
        take_in(endless(), most_bytes=most_bytes, deadline_s=deadline_s)
    assert len(asked) <= 2
