"""What the API answers: shapes of its JSON, for the calls and for the page that describes them."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from ninja import Schema

from portal.models import Import, Site
from portal.pv.advice import Act, State
from portal.words.kept import in_their_words


class Problem(Schema):
    """What is wrong and what to do next."""

    detail: str


class MeterOut(Schema):
    """A meter, to send files for."""

    id: int
    name: str


class SiteOut(Schema):
    """A roof and its meters."""

    id: int
    name: str
    customer: str
    tz: str
    meters: list[MeterOut]

    @staticmethod
    def resolve_customer(site: Site) -> str:
        return site.customer.name


class WarningOut(Schema):
    """Something to know about a file: a stable code and a sentence."""

    code: str
    text: str

    @staticmethod
    def resolve_text(kept: dict[str, str]) -> str:
        return in_their_words(kept["text"])


class RejectedOut(Schema):
    """A line that was not taken in."""

    file: str
    line: int
    reason: str
    text: str

    @staticmethod
    def resolve_reason(kept: dict[str, str]) -> str:
        return in_their_words(kept["reason"])


class ImportOut(Schema):
    """One file and what became of it."""

    id: int
    meter_id: int
    filename: str
    sha256: str
    state: str
    problem: str
    uploaded_at: datetime
    finished_at: datetime | None
    interval_minutes: int | None
    first_day: date | None
    last_day: date | None
    rows_read: int
    readings_new: int
    readings_unchanged: int
    readings_replaced: int
    readings_set_aside: int
    rows_blank: int
    rows_duplicate: int
    rows_rejected: int
    warnings: list[WarningOut]

    @staticmethod
    def resolve_problem(kept: Import) -> str:
        return in_their_words(kept.problem)


class LedgerOut(ImportOut):
    """One import with its first rejected lines and what is to be answered."""

    rejected: list[RejectedOut]
    questions: list[dict[str, Any]]

    @staticmethod
    def resolve_questions(kept: Import) -> list[dict[str, Any]]:
        return [
            question
            | {
                "text": in_their_words(question["text"]),
                "choices": [choice | {"label": in_their_words(choice["label"])} for choice in question["choices"]],
            }
            for question in kept.questions
        ]


class Interval(Schema):  # of 90 %
    low: float
    middle: float
    high: float


class AnswerOut(Schema):
    """How a roof stands, what is advised and the money behind it. Losses are fractions of the clean yield."""

    site_id: int
    as_of: date | None
    readings_until: date | None
    state: State
    state_day: date | None
    cause: str
    loss: Interval | None
    lost_a_month: Interval | None
    advice: Act
    advised_day: date | None
    booked_for: datetime | None
    wash_price: float | None
    wash_brings: Interval | None
    chance_it_pays_back: float | None
    headline: str
    why: str
    money: str
    what_to_do: str
    reasons: list[str]
