"""Random dialects around known readings: whatever they are written in, they come back exactly."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory

from hypothesis import HealthCheck, Phase, assume, given, settings
from hypothesis import strategies as st

from tests.readers.dialects import Dialect, assert_same, read_answered, save, truth, write

# Shrinking a failure can take minutes here; a run of the suite must not.
BOUNDED = settings(
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    phases=(Phase.explicit, Phase.reuse, Phase.generate),
)

ZONES = ("Europe/Berlin", "America/Denver", "Australia/Adelaide", "Asia/Kolkata", "Europe/Dublin", "Africa/Nairobi")
STAMPS = (
    ("%Y-%m-%d %H:%M", ""),
    ("%Y-%m-%dT%H:%M:%S", ""),
    ("%Y-%m-%dT%H:%M:%S%z", ""),
    ("%d.%m.%Y %H:%M", ""),
    ("%d/%m/%Y %H:%M:%S", ""),
    ("%m/%d/%Y %H:%M", ""),
    ("%m/%d/%Y %I:%M %p", ""),
    ("%d-%b-%Y %H:%M", ""),
    ("%d.%m.%y %H:%M", ""),
    ("%Y%m%d%H%M", ""),
    ("%s", ""),
    ("%d/%m/%Y", "%H:%M"),
    ("%m/%d/%Y", "%I:%M %p"),
    ("%Y-%m-%d", "%H:%M:%S"),
)


@st.composite
def dialects(draw: st.DrawFn) -> Dialect:
    delimiter = draw(st.sampled_from([",", ";", "\t", "|"]))
    kind, unit = draw(
        st.sampled_from(
            [
                ("energy", "Wh"),
                ("energy", "kWh"),
                ("energy", "MWh"),
                ("power", "W"),
                ("power", "kW"),
                ("register", "kWh"),
            ]
        )
    )
    decimal = draw(st.sampled_from([".", ","]))
    thousands = draw(st.sampled_from(["", " ", "\u00a0", "'", "." if decimal == "," else ","]))
    stamp, time = draw(st.sampled_from(STAMPS))
    clock = draw(st.sampled_from(["wall", "wall", "winter", "utc"])) if "%z" not in stamp and stamp != "%s" else "wall"
    minutes = draw(st.sampled_from([5, 15, 30, 60]))
    quote_all = draw(st.booleans())
    assume(quote_all or "," not in (decimal, thousands) or delimiter != ",")
    label = draw(st.sampled_from(["start", "end"]))
    return Dialect(
        tz=draw(st.sampled_from(ZONES)),
        minutes=minutes,
        clock=clock,
        label=label,
        delimiter=delimiter,
        decimal=decimal,
        thousands=thousands,
        encoding=draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"])),
        newline=draw(st.sampled_from(["\n", "\r\n"])),
        quote_all=quote_all,
        stamp=stamp,
        time=time,
        kind=kind,
        unit=unit,
        header=draw(st.sampled_from([True, True, True, False])),
        units_row=draw(st.booleans()),
        preamble=draw(st.integers(0, 4)),
        footer=draw(st.booleans()),
        extra=draw(st.booleans()),
        descending=draw(st.booleans()),
        midnight24=draw(st.booleans())
        and "%H" in stamp + time
        and "%z" not in stamp
        and clock == "wall"
        and not stamp.startswith("%Y%m"),
    )


@settings(BOUNDED, max_examples=60)
@given(
    dialect=dialects(),
    first=st.dates(date(2015, 1, 1), date(2026, 6, 1)),
    days=st.integers(3, 25),
    seed=st.integers(0, 1000),
)
def test_known_readings_come_back_exactly_from_any_dialect(dialect: Dialect, first: date, days: int, seed: int) -> None:
    energy = truth(first, days, dialect.tz, dialect.minutes, seed)
    with TemporaryDirectory() as folder:
        path = save(Path(folder), write(dialect, energy))
        assert_same(read_answered(path, dialect), energy, dialect.minutes)


def test_quoted_columns_under_a_preamble_without_a_header_are_not_split_figures(tmp_path: Path) -> None:
    dialect = Dialect(
        tz="Africa/Nairobi", minutes=5, clock="wall", label="start", delimiter=",", decimal=",", thousands="",
        encoding="utf-16", newline="\r\n", quote_all=True, stamp="%m/%d/%Y", time="%I:%M %p", kind="power", unit="W",
        header=False, units_row=True, preamble=4, footer=False, extra=False, descending=True, midnight24=False,
    )  # fmt: skip
    energy = truth(date(2015, 11, 25), 22, dialect.tz, dialect.minutes, 319)
    assert_same(read_answered(save(tmp_path, write(dialect, energy)), dialect), energy, dialect.minutes)


@settings(BOUNDED, max_examples=20)
@given(
    tz=st.sampled_from(ZONES),
    minutes=st.sampled_from([15, 30, 60]),
    stamp=st.sampled_from(["%Y-%m-%d", "%d.%m.%Y", "%m/%d/%Y"]),
    first=st.dates(date(2015, 1, 1), date(2026, 6, 1)),
    days=st.integers(3, 40),
    decimal=st.sampled_from([".", ","]),
)
def test_known_readings_come_back_exactly_from_a_row_a_day(
    tz: str, minutes: int, stamp: str, first: date, days: int, decimal: str
) -> None:
    dialect = Dialect(tz=tz, minutes=minutes, stamp=stamp, layout="wide", delimiter=";", decimal=decimal)
    energy = truth(first, days, tz, minutes)
    with TemporaryDirectory() as folder:
        path = save(Path(folder), write(dialect, energy))
        assert_same(read_answered(path, dialect), energy, minutes)
