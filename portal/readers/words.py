"""The words and units by which exports name their columns, in the languages of Europe."""

from __future__ import annotations

import re

from portal.readers.mapping import Unit

PRODUCTION = re.compile(
    r"produ[czk]|generat|erzeug|ertrag|yield|solar|\bpv|photovolt|opbrengst|opwek|inverter|wechselrichter|onduleur|inversor"
    r"|\bac[ _.-]?(?:power|energy|out)|\b[ep][ _.-]?ac\b|output|plant|anlage|\broof|\bplane",
    re.I,
)
GENERAL = re.compile(
    r"energ|power|leistung|puissance|potenc|potenza|wh\b|kw\b|\bw\b|watt|value|wert|reading|valeur", re.I
)
DRAWN = re.compile(
    r"\bimport|from[ _]?grid|bezug|purchas|\bbought|delivered|soutir|prelev|afname|\bgrid[ _]?in|\b1\.8\.\d\b", re.I
)
CONSUMED = re.compile(
    r"consum|verbrauch|\bload\b|demand|\busage|\buse[d]?\b|household|verbruik|hausverb"
    r"|heat[ _-]?pump|wärmepump|wallbox|\bboiler|water[ _-]?heater|heizstab|air[ _-]?con",
    re.I,
)
EXPORT = re.compile(
    r"export|feed[ _-]?in|einspeis|inject|inyec|immess|immission|to[ _]?grid"
    r"|received|surplus|terugl|\bsold\b|excedent|überschuss|\b2\.8\.\d\b",
    re.I,
)
NET = re.compile(r"\bnet\b|\bnetto\b|saldo", re.I)
OTHER = re.compile(
    r"temp|irradi|wind|(?<!photo)volt|spannung|current|\bstrom\b|freq|price|cost|tarif|status|state|quality|flag|humid|factor|percent"
    r"|batter|\bsoc\b|charg|co2|reactive|apparent|k?var|expected|forecast|target|budget|self|eigen|autoc|latitude|longitude"
    r"|\bdc[ _.-]?(?:volt|curr)|cumulative sun|pressure|\bghi\b|\bpoa\b|efficien|performance|ratio",
    re.I,
)
UNIT_OF_OTHERS = re.compile(
    r"[\[(,]\s*(?:[°%€$£]|W/m|(?:V|A|mA|EUR|USD|Hz|kVA|k?varh?|m/s|C|F|K|hPa|kg)(?![A-Za-z]))", re.I
)
NEVER_PRODUCTION = re.compile(
    r"irradi|radiat|insol|strahlung|rayonn|irragg|instraling|\b(?:ghi|gti|dni|dhi|poa)\b|temp(?:er|[. _]|$)|humid|wind"
    r"|pressure|price|preis|\bprix|prezz|preci|preço|prijs|\bcost|kosten|batter|akku|\bso[ch]\b|charg|ladung|(?<!photo)volt|freq"
    r"|\bco2|reactive|apparent|blindleist|scheinleist|forecast|prognos|prévis|previs|pronóst|expected|erwartet",
    re.I,
)
"""What is no production even where nothing else stands in the file: weather, money, the state of a battery."""
FLOW = re.compile(
    r"(?:\bpv|solar|photovolt|produ[czk]|generat|erzeug).*?(?:\b(?:in)?to\b|_to_|→|->|\bzu[mr]?\b|\bins?\b|\bvers\b|\bnaar\b)"
    r"|(?:to|→|->)[ _]?(?:house|home|load|battery|storage|grid)\b.*?(?:\bpv|solar)",
    re.I,
)
"""A part of the production by where it went: to the house, the battery, the grid."""
USED_AT_ONCE = re.compile(r"\bself|\beigen|autoc|\bdirect[ _-]?(?:use|cons)|direktverb", re.I)
STORED = re.compile(r"batter\w*[ _-]?(?:charg|ladung)|(?<!dis)charg\w*.*batter|batterieladung", re.I)
"""What the house used of the production, and what the battery took."""
NEVER_UNIT = re.compile(r"[kKmM]?W(?:h)?\s*/\s*m|(?:EUR|USD|GBP|CHF|AUD|ct|p|€|\$|£)\s*/\s*[kKmM]?Wh|°\s*[CF]\b", re.I)
"""Irradiance, price of energy, temperature."""
NOT_OURS = re.compile(
    r"[\[(,]\s*(?:%|V|mA|[kKMG]?J|(?:k|MM)?BTU|therms?|k?g|k?VA[hr]{0,2}|lux|lx|min|h|p\.?u\.?)\s*(?:[\])]|$)"
    r"|W(?:h)?\s*/\s*k?W|[\[(]\s*(?:0[.,]0*1|10+)\s*[x×*]?\s*[kKmM]?Wh\s*[\])]|Wh?\s*[x×*/]\s*10+\b",
    re.I,
)
"""Units that are not taken in: joules, shares, apparent and reactive energy, light, hours, energy for each kW, tens or
tenths of a kWh. A figure in one of them read as kWh would be wrong by a constant factor."""
POWER_WORD = re.compile(r"power|leistung|puissance|potenc|potenza|vermogen|watt|\bp[ _.-]?ac\b|demand", re.I)
ENERGY_WORD = re.compile(r"energ|yield|ertrag|opbrengst|\be[ _.-]?ac\b|arbeit", re.I)
UNIT = re.compile(r"(?:^|[^A-Za-z])([kKmM]?)[wW]([hH])?(?:$|[^A-Za-z0-9/])")
AMOUNT = re.compile(r"\d[\d.,'’ ]*\s*[kKmMgG]?[wW][hHp]?\b")
"""A size or a sum in a title ("9.8 kW", "1,234 kWh"): it says nothing of a column's unit."""
NUMBERING = re.compile(r"[\d_#.\-\s]+|\b[a-d]\b")
SIDES = re.compile(r"\b(?:north|south|east|west|nord|süd|ost|left|right|upper|lower)\b")
UNIT_CELL = re.compile(r"[\[(]?[^\W\d]{0,4}[°%/€$²]?[^\W\d]{0,4}[\])]?|\[[^\]]*\]|\([^)]*\)")
TOTAL = re.compile(r"total|\bsum\b|summe|gesamt|\ball\b|plant|overall|\bac\b", re.I)
METER = re.compile(
    r"meter|serial|device|inverter|logger|\bnmi\b|mpan|mprn|\bsn\b|\bsite\b|plant|channel|register|stream|series|source|\bid\b|zähler"
    r"|anlage|gerät|compteur|contador|contatore|obis|\btype\b|direction|measure|\bname\b",
    re.I,
)
END_WORD = re.compile(r"\bend|ending|\bto\b|\bbis\b|\bende\b|until|\bfin\b|hasta|\bfine\b|\btot\b", re.I)
START_WORD = re.compile(r"start|begin|\bfrom\b|\bvon\b|\bab\b|début|inicio|inizio|desde", re.I)
OFFSET = re.compile(r"offset|time ?zone|zeitzone|fuseau|huso|\btz\b|\butc\b|\bgmt\b", re.I)
IN_UTC = re.compile(r"\b(?:utc|gmt|zulu)\b|_utc|utc_", re.I)
"""A column of offsets from UTC, and a time column that is in UTC itself."""
TIME_WORD = re.compile(r"date|time|datum|zeit|fecha|hora|heure|data|ora|tijd|stamp|period|day|tag|jour|utc", re.I)


def unit_in(text: str) -> Unit | None:
    """Return the unit a text names.

    Parameters
    ----------
    text
        The text.

    Returns
    -------
    Unit or None
        Of energy or power.

    Examples
    --------
    >>> unit_in("PV energy [kWh]"), unit_in("Power (W)"), unit_in("Time")
    ('kWh', 'W', None)
    """
    match = UNIT.search(f" {text} ".replace("_", " "))
    if match is None:
        return None
    prefix = {"": "", "k": "k", "K": "k", "m": "M", "M": "M"}[match[1]]
    return f"{prefix}W{'h' if match[2] else ''}"  # type: ignore[return-value]
