"""What the doctor says: one sentence each, and whether something has to be done about it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class CheckResult:
    """One thing seen. ``wrong`` means that somebody has to do something; the sentence says what."""

    sentence: str
    wrong: bool = True
