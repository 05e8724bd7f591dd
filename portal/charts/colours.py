"""A page's colours out of one: a firm's accent gives grounds, words and buttons, for light pages and for dark ones.

Each colour is a hue, a strength, and either a lightness or the contrast that it has to reach against the colours it
stands on; the lightness is then searched for. So whatever accent a firm chooses, its words can be read: AA wants
4.5 to 1 for words and 3 to 1 for the edges of a field (WCAG 2.2, 1.4.3 and 1.4.11); words here get 7 to 1, as for
AAA (1.4.6), since a phone is read on a roof in full sun.

Lightness, strength and hue are those of OKLCH, in which equal steps look equal (Ottosson 2020, "A perceptual color
space for image processing"; matrices as in CSS Color Module Level 4, section 10.3).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

ACCENT = "#0b6478"
"""The house's own accent: water in the shade of a roof. A firm may choose another."""

SUN = "#f4b73a"
"""The one colour that is the same for everybody, by day and by night."""

Oklch = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Tone:
    """How one colour is made of the accent, for (light, dark) pages."""

    strength: tuple[float, float]
    lightness: tuple[float, float] | None = None
    contrast: float = 0.0
    against: tuple[str, ...] = ()
    hue: float | None = None  # degrees; None is the accent's own


TONES = {
    "ground": Tone((0.011, 0.012), (0.968, 0.175)),
    "sheet": Tone((0.0, 0.014), (1.0, 0.222)),
    "tint": Tone((0.035, 0.034), (0.945, 0.285)),
    "hair": Tone((0.012, 0.018), (0.895, 0.345)),
    "ink": Tone((0.022, 0.008), contrast=14.5, against=("ground", "sheet")),
    "soft": Tone((0.025, 0.016), contrast=7.0, against=("ground", "sheet", "tint")),
    "rule": Tone((0.02, 0.02), contrast=3.1, against=("ground", "sheet", "tint")),
    "link": Tone((0.16, 0.11), contrast=7.0, against=("ground", "sheet", "tint")),
    "on-press": Tone((0.0, 0.03), (1.0, 0.2)),
    "press": Tone((0.16, 0.11), contrast=7.0, against=("on-press", "sheet", "ground")),
    "focus": Tone((0.23, 0.16), contrast=4.5, against=("ground", "sheet", "tint"), hue=350),
    "dirt-ground": Tone((0.05, 0.05), (0.957, 0.295), hue=82),
    "dirt": Tone((0.1, 0.11), contrast=7.0, against=("dirt-ground", "sheet", "ground"), hue=72),
    "clean-ground": Tone((0.035, 0.05), (0.957, 0.3), hue=225),
    "clean": Tone((0.1, 0.09), contrast=7.0, against=("clean-ground", "sheet", "ground"), hue=232),
    "fault-ground": Tone((0.028, 0.065), (0.955, 0.285), hue=15),
    "fault": Tone((0.17, 0.11), contrast=7.0, against=("fault-ground", "sheet", "ground"), hue=18),
    "unknown-ground": Tone((0.01, 0.012), (0.94, 0.315)),
    "unknown": Tone((0.02, 0.012), contrast=7.0, against=("unknown-ground", "sheet", "ground")),
}


def tones(accent: str = ACCENT, *, dark: bool = False) -> dict[str, str]:
    """Every colour of a page, by name, as ``#rrggbb``."""
    _, strongest, hue = to_oklch(accent)
    made: dict[str, str] = {}
    for name, tone in TONES.items():
        strength, own = tone.strength[dark], tone.hue
        if own is None:
            strength, own = min(strength, strongest), hue  # a grey firm has grey pages
        if tone.lightness is not None:
            made[name] = to_hex((tone.lightness[dark], strength, own))
        else:
            made[name] = _reaching(tone.contrast, [made[other] for other in tone.against], strength, own)
    return made


def sheet(accent: str = ACCENT) -> str:
    """The style rules that set a page's colours; ``.by-day`` and ``.by-night`` show a part in either."""
    day, night = (
        ";".join(f"--{name}:{colour}" for name, colour in tones(accent, dark=dark).items()) for dark in (False, True)
    )
    night = f"color-scheme:dark;{night}"
    return (
        f":root,.by-day{{color-scheme:light;--sun:{SUN};{day}}}\n"
        f"@media(prefers-color-scheme:dark){{:root{{{night}}}}}\n"
        f".by-night{{{night}}}\n"
    )


def _reaching(contrast: float, against: list[str], strength: float, hue: float) -> str:
    """The colour nearest to what it stands on that still has the contrast to all of it."""
    darker = luminance(against[0]) > 0.18
    near, far = (1.0, 0.0) if darker else (0.0, 1.0)  # lightnesses: too like the ground, and far enough from it
    found = "#000000" if darker else "#ffffff"
    for _ in range(8):  # halving: a step of 1/256
        tried = to_hex(((near + far) / 2, strength, hue))
        if min(contrast_of(tried, other) for other in against) >= contrast:
            found, far = tried, (near + far) / 2
        else:
            near = (near + far) / 2
    return found


def luminance(colour: str) -> float:
    """Relative luminance, as WCAG 2.2 defines it."""
    red, green, blue = _linear(colour)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast_of(one: str, other: str) -> float:
    """Contrast ratio of two colours, 1 to 21, as WCAG 2.2 defines it."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def _linear(colour: str) -> tuple[float, float, float]:
    parts = (int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5))
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return red, green, blue


def to_oklch(colour: str) -> Oklch:
    """Lightness 0 to 1, strength (chroma) from 0, hue in degrees, of ``#rrggbb``."""
    red, green, blue = _linear(colour)
    long = math.cbrt(0.4122214708 * red + 0.5363325363 * green + 0.0514459929 * blue)
    medium = math.cbrt(0.2119034982 * red + 0.6806995451 * green + 0.1073969566 * blue)
    short = math.cbrt(0.0883024619 * red + 0.2817188376 * green + 0.6299787005 * blue)
    lightness = 0.2104542553 * long + 0.7936177850 * medium - 0.0040720468 * short
    a = 1.9779984951 * long - 2.4285922050 * medium + 0.4505937099 * short
    b = 0.0259040371 * long + 0.7827717662 * medium - 0.8086757660 * short
    return lightness, math.hypot(a, b), math.degrees(math.atan2(b, a)) % 360


def to_hex(colour: Oklch) -> str:
    """``#rrggbb``; what a screen cannot show is made weaker, in the same lightness and hue, until it can."""
    lightness, strength, hue = colour
    parts = _to_linear(lightness, strength, hue)
    while strength > 0 and not all(-0.0005 <= part <= 1.0005 for part in parts):
        strength = max(0.0, strength - 0.002)
        parts = _to_linear(lightness, strength, hue)
    encoded = (
        12.92 * part if part <= 0.0031308 else 1.055 * part ** (1 / 2.4) - 0.055
        for part in (min(max(part, 0.0), 1.0) for part in parts)
    )
    return "#" + "".join(f"{round(part * 255):02x}" for part in encoded)


def _to_linear(lightness: float, strength: float, hue: float) -> tuple[float, float, float]:
    a, b = strength * math.cos(math.radians(hue)), strength * math.sin(math.radians(hue))
    long = (lightness + 0.3963377774 * a + 0.2158037573 * b) ** 3
    medium = (lightness - 0.1055613458 * a - 0.0638541728 * b) ** 3
    short = (lightness - 0.0894841775 * a - 1.2914855480 * b) ** 3
    return (
        4.0767416621 * long - 3.3077115913 * medium + 0.2309699292 * short,
        -1.2684380046 * long + 2.6097574011 * medium - 0.3413193965 * short,
        -0.0041960863 * long - 0.7034186147 * medium + 1.7076147010 * short,
    )
