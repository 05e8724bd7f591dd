"""Tables, constraints, and QuerySets that answer questions; ``visible_to(user)`` decides who sees what."""

from portal.models.assessment import SiteAssessment, SiteDaily
from portal.models.by_mail import MailState, ReadingsMail
from portal.models.call import Call, CallOutcome
from portal.models.heartbeat import Heartbeat
from portal.models.hold import Clock, MailHold
from portal.models.invoice import (
    Invoice,
    InvoiceKind,
    InvoiceLine,
    InvoiceState,
    InvoiceTax,
    IssuedForGood,
    LineKind,
    Method,
    Payment,
)
from portal.models.lead import CLOSED_STAGES, Enquiry, EventKind, Lead, LeadEvent, LeadKind, LeadNote, LeadStage
from portal.models.meter import CameBy, DayBefore, DayReadings, Drawing, Import, ImportState, Meter, pack, unpack
from portal.models.night import Night, NightState
from portal.models.people import OFFICE_ROLES, Business, Customer, CustomerFile, Language, Membership, Role, User
from portal.models.proof import Proof, ProofState, ReportLink
from portal.models.rain import DayRain, RainGauge
from portal.models.record import (
    Ask,
    CalendarFeed,
    Distance,
    EntryKind,
    Finding,
    Look,
    Phase,
    Referral,
    SignOff,
    Step,
    VisitEntry,
    VisitPhoto,
)
from portal.models.reminder import MailStop, Preference, Reminder, ReminderKind, ReminderState, SendingRules, Wording
from portal.models.site import Plane, Site
from portal.models.token import Scope, Token, hash_token, new_secret
from portal.models.trail import AuditEntry, Deed
from portal.models.visit import CALLED_OFF, PUT_OFF, DayOff, Visit, VisitState

__all__ = [
    "CALLED_OFF",
    "CLOSED_STAGES",
    "OFFICE_ROLES",
    "PUT_OFF",
    "Ask",
    "AuditEntry",
    "Business",
    "CalendarFeed",
    "Call",
    "CallOutcome",
    "CameBy",
    "Clock",
    "Customer",
    "CustomerFile",
    "DayBefore",
    "DayOff",
    "DayRain",
    "DayReadings",
    "Deed",
    "Distance",
    "Drawing",
    "Enquiry",
    "EntryKind",
    "EventKind",
    "Finding",
    "Heartbeat",
    "Import",
    "ImportState",
    "Invoice",
    "InvoiceKind",
    "InvoiceLine",
    "InvoiceState",
    "InvoiceTax",
    "IssuedForGood",
    "Language",
    "Lead",
    "LeadEvent",
    "LeadKind",
    "LeadNote",
    "LeadStage",
    "LineKind",
    "Look",
    "MailHold",
    "MailState",
    "MailStop",
    "Membership",
    "Meter",
    "Method",
    "Night",
    "NightState",
    "Payment",
    "Phase",
    "Plane",
    "Preference",
    "Proof",
    "ProofState",
    "RainGauge",
    "ReadingsMail",
    "Referral",
    "Reminder",
    "ReminderKind",
    "ReminderState",
    "ReportLink",
    "Role",
    "Scope",
    "SendingRules",
    "SignOff",
    "Site",
    "SiteAssessment",
    "SiteDaily",
    "Step",
    "Token",
    "User",
    "Visit",
    "VisitEntry",
    "VisitPhoto",
    "VisitState",
    "Wording",
    "hash_token",
    "new_secret",
    "pack",
    "unpack",
]
