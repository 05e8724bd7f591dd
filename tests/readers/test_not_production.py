"""What is no production, what is a part of it, and what does not say: each file written by hand."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from portal.readers import ReadError, UndecidedError
from tests.readers.dialects import assert_same, guess_file, local_index, read_file, save, truth

TZ = "Europe/Berlin"
ENERGY = truth(date(2024, 5, 2), 10, TZ, 15)
LOCAL = local_index(ENERGY, TZ)


def table(tmp_path: Path, header: str, *columns: Callable[[int], object], above: str = "") -> Path:
    """One column after the other beside the stamps; each a function of the energy [Wh]."""
    rows = [
        f"{at:%Y-%m-%d %H:%M};" + ";".join(str(c(int(wh))) for c in columns)
        for at, wh in zip(LOCAL, ENERGY, strict=True)
    ]
    return save(tmp_path, (above + "\n".join([header, *rows])).encode())


@pytest.mark.parametrize(
    "name",
    [
        "Solar irradiance (W/m²)",
        "Irradiance [W/m2]",
        "Globalstrahlung",
        "Rayonnement global",
        "Module temperature (°C)",
        "Spot price EUR/MWh",
        "Strompreis ct/kWh",
        "Battery state of charge",
        "Battery SoC (%)",
        "Batterieladung kWh",
        "PV energy (MJ)",
        "PV energy [kJ]",
        "PV energy (0.1 kWh)",
        "PV energy [Wh x10]",
        "PV power (%)",
        "Yield (kWh/kWp)",
        "Generation (kVAh)",
        "Reactive energy (kvarh)",
        "CO2 saved (kg)",
        "PV string 1 (V)",
        "PV forecast (kWh)",
        "Prognose PV (kWh)",
        "Brightness (lux)",
        "Sunshine (min)",
        "PV (p.u.)",
    ],
)
def test_weather_money_a_battery_s_state_and_other_units_are_refused_by_name(tmp_path: Path, name: str) -> None:
    with pytest.raises(ReadError, match=re.escape(name)) as refused:
        read_file(table(tmp_path, f"Time;{name}", lambda wh: wh * 0.8), TZ)
    assert "Send the export of the inverter" in str(refused.value)


@pytest.mark.parametrize("name", ["Heat pump (kWh)", "Wallbox (kWh)", "Boiler [kWh]"])
def test_what_runs_by_day_on_the_panels_is_no_production(tmp_path: Path, name: str) -> None:
    with pytest.raises(ReadError, match="used or bought"):
        read_file(table(tmp_path, f"Time;{name}", lambda wh: wh / 1000), TZ)


def test_a_column_of_values_under_a_title_of_irradiance_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ReadError, match="only “Value”"):
        read_file(table(tmp_path, "Time;Value", lambda wh: wh * 0.8, above="Pyranometer south;W/m²\n\n"), TZ)


def test_production_is_found_beside_the_weather(tmp_path: Path) -> None:
    path = table(
        tmp_path, "Time;Irradiance (W/m²);Photovoltaik (Wh);Temp. °C", lambda wh: wh * 0.8, lambda wh: wh, lambda wh: 20
    )
    assert_same(read_file(path, TZ), ENERGY, 15)


@pytest.mark.parametrize(
    "names",
    [
        ("PV to house (Wh)", "PV to battery (Wh)", "PV to grid (Wh)"),
        ("Solar → house [Wh]", "Solar → battery [Wh]", "Solar → grid [Wh]"),
        ("Eigenverbrauch (Wh)", "Batterieladung (Wh)", "Einspeisung (Wh)"),
        ("Self-consumption (Wh)", "Battery charge (Wh)", "Feed-in (Wh)"),
    ],
)
def test_parts_of_the_production_are_named_together_and_added_up(tmp_path: Path, names: tuple[str, ...]) -> None:
    path = table(
        tmp_path, "Time;" + ";".join(names), lambda wh: wh // 2, lambda wh: wh // 4, lambda wh: wh - wh // 2 - wh // 4
    )
    seen = guess_file(path, TZ)
    (question,) = [one for one in seen.questions if one.code == "columns"]
    assert all(f"“{name}”" in question.text for name in names)
    assert seen.preview is not None
    assert float(seen.preview.energy_wh.sum()) == pytest.approx(float(ENERGY[: 7 * 96].sum()))
    assert_same(read_file(path, TZ, seen.mapping.answered("columns", question.choices[0].value)), ENERGY, 15)


def test_a_total_beside_its_parts_is_taken_alone(tmp_path: Path) -> None:
    path = table(
        tmp_path,
        "Time;PV production (Wh);PV to house (Wh);PV to grid (Wh)",
        lambda wh: wh,
        lambda wh: wh // 2,
        lambda wh: wh - wh // 2,
    )
    assert_same(read_file(path, TZ), ENERGY, 15)


def test_columns_under_two_rows_of_headings_are_asked_about_by_both(tmp_path: Path) -> None:
    above = ";Garage;Garage;Barn;Barn\n"
    header = "Time;Energy (Wh);State;Energy (Wh);State"
    path = table(tmp_path, header, lambda wh: wh, lambda wh: "ok", lambda wh: wh // 3, lambda wh: "ok", above=above)
    with pytest.raises(UndecidedError) as asked:
        read_file(path, TZ)
    (question,) = asked.value.questions
    assert "“Garage Energy (Wh)”" in question.text
    assert any("Barn Energy (Wh)" in choice.label for choice in question.choices)


FEED = """<feed xmlns="http://www.w3.org/2005/Atom"><entry><content>{type}<IntervalBlock xmlns="http://naesb.org/espi">
{readings}</IntervalBlock></content></entry></feed>"""


def feed(tmp_path: Path, type_: str, start: str = "") -> Path:
    """Elements as the schema of NAESB REQ.21 (ESPI 1.1) names them."""
    readings = "".join(
        f"<IntervalReading><timePeriod><duration>900</duration><start>{start or int(at.timestamp())}</start>"
        f"</timePeriod><value>{wh}</value></IntervalReading>"
        for at, wh in zip(ENERGY.index, ENERGY, strict=True)
    )
    return save(tmp_path, FEED.format(type=type_, readings=readings).encode(), "feed.xml")


def test_interval_blocks_without_a_reading_type_are_asked_about(tmp_path: Path) -> None:
    path = feed(tmp_path, "")
    with pytest.raises(UndecidedError) as asked:
        read_file(path, TZ)
    assert [question.code for question in asked.value.questions] == ["untyped"]
    assert_same(read_file(path, TZ, asked.value.mapping.answered("untyped", "accept")), ENERGY, 15)


def test_a_feed_of_which_every_reading_is_rejected_says_why(tmp_path: Path) -> None:
    type_ = '<ReadingType xmlns="http://naesb.org/espi"><commodity>1</commodity><uom>72</uom></ReadingType>'
    with pytest.raises(ReadError, match="960 were rejected") as refused:
        read_file(feed(tmp_path, type_, start="0"), TZ)
    assert "seconds since 1970" in str(refused.value)
