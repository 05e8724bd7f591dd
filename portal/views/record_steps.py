"""The screens of a visit's record, in the order of the work."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from uuid import UUID, uuid4

from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from portal.models import (
    Ask,
    Distance,
    EntryKind,
    InspectionFinding,
    Look,
    Phase,
    SiteAssessment,
    Visit,
    VisitEntry,
    VisitPhoto,
    VisitState,
    WorkStep,
)
from portal.models.record import standing

STEP_HINTS = {
    WorkStep.TAP: gettext_lazy("Which tap, whose hose; leave both as you found them."),
    WorkStep.WATER: gettext_lazy(
        "Read the meter after the filter. Water above about 50 ppm dries to spots; common practice, no source."
    ),
    WorkStep.LADDER: gettext_lazy("Where it stands, what it leans on, and what you are tied to."),
    WorkStep.PRE_RINSE: gettext_lazy("Only when the glass is cool to the hand."),
    WorkStep.SOAK: gettext_lazy("How long it stood wet. Do not let it dry."),
    WorkStep.SCRUB: gettext_lazy("Soft brush, water alone, from the ladder, platform or ridge: never from the panels."),
    WorkStep.RINSE: gettext_lazy("From the top down."),
}
LOOK_HINTS = {
    Look.GLASS: gettext_lazy(
        "Cracks, chips, brown spots. Broken glass: stop, do not wet it, call a licensed electrician."
    ),
    Look.FRAME: gettext_lazy("Loose clamps, bent frames, corrosion."),
    Look.CABLES: gettext_lazy(
        "Look, do not touch. Burnt, open or chewed: stop, do not wet it, call a licensed electrician."
    ),
    Look.ROOF: gettext_lazy("Flashing, feet, cracked tiles, damp."),
    Look.NESTING: gettext_lazy("Birds, rodents, wasps. Nests may be protected by law: leave them and report."),
    Look.DEBRIS: gettext_lazy("Leaves and moss under or between panels."),
    Look.SHADING: gettext_lazy("Branches or plants that reach the panels' light."),
}
CAUTIONS = {
    "arrived": ("weather",),
    WorkStep.TAP: ("water",),
    WorkStep.LADDER: ("falls", "ladders"),
    Look.GLASS: ("shock",),
    Look.CABLES: ("shock",),
    WorkStep.PRE_RINSE: ("hot",),
    WorkStep.SOAK: ("water",),
    WorkStep.SCRUB: ("panels", "falls"),
    WorkStep.RINSE: ("hot",),
}
"""What hurts at a step, by the names in ``visits/caution.html``."""
WET = (WorkStep.PRE_RINSE, WorkStep.SOAK, WorkStep.SCRUB, WorkStep.RINSE)
"""Steps that an urgent finding forbids: live parts and water."""


@dataclass(frozen=True)
class Shot:
    """A place for photos of one phase and distance."""

    phase: Phase
    distance: Distance
    taken: list[VisitPhoto]
    id: UUID = field(default_factory=uuid4)


@dataclass(frozen=True)
class DoorQuestion:
    """A question on the doorstep, what is known of it, and what was answered."""

    ask: Ask
    known: str
    entry: VisitEntry | None
    id: UUID = field(default_factory=uuid4)


@dataclass(frozen=True)
class Screen:
    """One screen of the record: what stands on it, and what was entered there."""

    name: str
    title: str
    template: str
    hint: str = ""
    cautions: tuple[str, ...] = ()
    wet: bool = False
    entry: VisitEntry | None = None
    photos: list[VisitPhoto] = field(default_factory=list)
    shots: list[Shot] = field(default_factory=list)
    asks: list[DoorQuestion] = field(default_factory=list)
    few_photos: VisitEntry | None = None
    before: str = ""
    after: str = ""
    id: UUID = field(default_factory=uuid4)
    second_id: UUID = field(default_factory=uuid4)


def screens_of(visit: Visit, entries: Sequence[VisitEntry], photos: Sequence[VisitPhoto]) -> list[Screen]:
    """The screens in their order: arrive, ask, set up, photograph, look over, wash, photograph, tell, sign, leave."""
    stands = standing(entries)
    known = _known(visit)
    asks = [DoorQuestion(ask, known[ask], stands.get((EntryKind.ANSWER, ask))) for ask in Ask]

    def of(kind: EntryKind, title: str) -> Screen:
        entry = stands.get((kind.value, ""))
        return Screen(
            kind.value, title, f"visits/record/{kind.value}.html", cautions=CAUTIONS.get(kind.value, ()), entry=entry
        )

    screens = [
        of(EntryKind.ARRIVED, _("Arrive")),
        Screen("doorstep", _("On the doorstep"), "visits/record/doorstep.html", asks=asks),
        *(_step(step, stands) for step in (WorkStep.TAP, WorkStep.WATER, WorkStep.LADDER)),
        _shots(Phase.BEFORE, _("Photos before"), photos, stands),
        Screen("looks", _("Look it over"), "visits/record/looks.html"),
        *(_look(look, stands, photos) for look in Look),
        *(_step(step, stands) for step in WET),
        _shots(Phase.AFTER, _("Photos after"), photos, stands),
        of(EntryKind.EXTRA, _("Extra work")),
        of(EntryKind.TOLD, _("Tell the customer")),
        of(EntryKind.SIGN_OFF, _("Signature")),
        of(EntryKind.FINISH, _("Finish and leave")),
    ]
    names = ["", *(screen.name for screen in screens), ""]
    return [
        replace(screen, before=before, after=after)
        for screen, before, after in zip(screens, names[:-2], names[2:], strict=True)
    ]


Stands = Mapping[tuple[str, str], VisitEntry]


def _step(step: WorkStep, stands: Stands) -> Screen:
    return Screen(
        step.value,
        str(step.label),
        "visits/record/step.html",
        hint=str(STEP_HINTS[step]),
        cautions=CAUTIONS.get(step, ()),
        wet=step in WET,
        entry=stands.get((EntryKind.STEP, step)),
    )


def _look(look: Look, stands: Stands, photos: Sequence[VisitPhoto]) -> Screen:
    return Screen(
        look.value,
        str(look.label),
        "visits/record/look.html",
        hint=str(LOOK_HINTS[look]),
        cautions=CAUTIONS.get(look, ()),
        entry=stands.get((EntryKind.INSPECTION, look)),
        photos=[photo for photo in photos if photo.item == look],
    )


def _shots(phase: Phase, title: str, photos: Sequence[VisitPhoto], stands: Stands) -> Screen:
    of_phase = [photo for photo in photos if photo.phase == phase and not photo.item]
    shots = [Shot(phase, one, [photo for photo in of_phase if photo.distance == one]) for one in Distance]
    few = stands.get((EntryKind.FEW_PHOTOS, ""))
    return Screen(f"photos-{phase.value}", title, "visits/record/photos.html", shots=shots, few_photos=few)


def found_in(screens: Sequence[Screen]) -> list[Screen]:
    """The parts that were not in order."""
    return [
        screen
        for screen in screens
        if screen.entry and screen.entry.answer in (InspectionFinding.SEEN.value, InspectionFinding.URGENT.value)
    ]


def _known(visit: Visit) -> dict[Ask, str]:
    """What is known already of each question on the doorstep."""
    site = visit.site
    installed = [date_format(site.installed_on, _("F Y"))] if site.installed_on else []
    installed += [site.installer] if site.installer else []
    washed = site.visits.filter(state=VisitState.DONE).exclude(pk=visit.pk).order_by("-finished_at").first()
    newest = SiteAssessment.objects.filter(site=site).newest().first()
    return {
        Ask.INSTALLED: ", ".join(installed),
        Ask.CLEANED: date_format(washed.cleaned_on, _("F Y")) + _(", by us") if washed and washed.cleaned_on else "",
        Ask.NOTICED: _("the readings show it since ") + date_format(newest.less_since, _("F Y"))
        if newest and newest.less_since
        else "",
    }
