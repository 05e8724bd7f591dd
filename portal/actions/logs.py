"""What is written down of requests, jobs and mishaps: a line of JSON each, without secrets and without personal data.

A door's key may stand in a path (a reset link, a shared report, a calendar feed), a name in a query or in what a
database says of a row it refuses. None of them is needed to find a fault: the request's number and its route are.
"""

from __future__ import annotations

import json
import logging
import re
from contextvars import ContextVar
from datetime import UTC, datetime

REQUEST: ContextVar[str] = ContextVar("request", default="")
"""The number of the request that is being answered, the same in each line about it and in its answer's head."""

DOORS = (
    r"r|i|join|calendar|visits/again|visits/wished|mail/stop|mail/choose|mail/reports"
    r"|accounts/password/reset/key|accounts/confirm-email"
)
"""What follows one of these in a path opens a door."""

_REDACTED = (
    (re.compile(rf"(/(?:{DOORS})/)[^\s?\"'<>]+"), r"\1…"),
    (re.compile(r"(/[^\s?\"'<>]*)\?[^\s\"'<>]+"), r"\1?…"),  # what was searched for, and tokens of old scripts
    (re.compile(r"(?i)\b(bearer|basic|token|password|secret|key)(\"?\s*[:=]?\s+|[:=])[^\s,;)\"']{8,}"), r"\1\2…"),
    (re.compile(r"(\w+://)[^\s/@:]*:[^\s/@]*@"), r"\1…@"),  # the address of a database or a broker
    (re.compile(r"[^\s@<>()\[\]\"'=,;:/…]+@[\w.-]+\.[^\W\d_]{2,}"), "…@…"),
    (re.compile(r"(?i)\b(ip(?: address)?|from|addr)([= ]+)\(?'?\d{1,3}(?:\.\d{1,3}){3}"), r"\1\2…"),
    (re.compile(r"(DETAIL:\s+).*"), r"\1…"),  # PostgreSQL quotes the row
)


def redacted(text: str) -> str:
    """The same without what opens a door or tells of a person."""
    for pattern, instead in _REDACTED:
        text = pattern.sub(instead, text)
    return text


class JsonLines(logging.Formatter):
    """One line of JSON for each record; ``extra={"facts": {…}}`` adds to it."""

    def format(self, record: logging.LogRecord) -> str:
        line: dict[str, object] = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "from": record.name,
        }
        if number := REQUEST.get():
            line["request"] = number
        if said := record.getMessage():
            line["said"] = redacted(said)
        line |= getattr(record, "facts", {})
        if record.exc_info:
            line["trace"] = redacted(self.formatException(record.exc_info))
        return json.dumps(line, ensure_ascii=False, default=str)
